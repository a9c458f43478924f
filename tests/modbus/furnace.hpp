// The furnace that the shipped dialect register-furnace describes, as a server in memory (modbus/server.hpp).
#pragma once

#include <string>

#include "modbus/server.hpp"

namespace nightwell::modbus::test {

// As it comes up: temperature 20.5 °C, serial number 7, unit 17. Its status register follows the output and the idle program.
[[nodiscard]] Server furnace(dialect::Framing framing);
// The shipped dialect, for either framing.
[[nodiscard]] std::string furnace_dialect(dialect::Framing framing);

}  // namespace nightwell::modbus::test
