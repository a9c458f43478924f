// A wire whose bytes are written down on the way. It changes nothing of what the wire under it does.
#pragma once

#include <memory>

#include "instrument/wire.hpp"
#include "instrument/wire_recorder.hpp"

namespace nightwell::instrument {

[[nodiscard]] std::unique_ptr<Wire> recorded(std::unique_ptr<Wire> wire, std::shared_ptr<WireRecorder> recorder);

}  // namespace nightwell::instrument
