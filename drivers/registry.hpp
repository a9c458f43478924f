// The list of in-tree drivers.
#pragma once

#include "instrument/registry.hpp"

namespace nightwell::drivers {

[[nodiscard]] instrument::Registry registry();

}  // namespace nightwell::drivers
