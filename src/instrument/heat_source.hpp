// The interface of heat sources is public; this adds what connections need.
#pragma once

#include "instrument/scanner.hpp"
#include "nightwell/instrument/heat_source.hpp"
