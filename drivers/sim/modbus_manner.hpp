// A source that speaks Modbus: RTU on a pseudo-terminal, Modbus TCP on a TCP port. The server's side, written from the
// "MODBUS application protocol specification" V1.1b3 and sharing nothing with the daemon's, so that a mistake there cannot
// cancel itself out here.
//
// The registers are ours, invented for the shipped dialect register-furnace (drivers/dialects). Nothing here knows it.
//
//   input     0      20055, what it is          1      its serial number, made of its identity
//             2      103, firmware              8, 9   its temperature, float32 in °C, low word first; NaN: sensor open
//             12     bit 0 output, bit 1 sensor open, bit 2 idle program
//   holding   16     setpoint, tenths of a °C   20     1: remote control. Nothing else is written without it
//             21     1: idle program; ended by "output on"
//   coil      0      output
//   Others are illegal addresses; a setpoint beyond the limits is an illegal value.
#pragma once

#include <memory>

#include "drivers/sim/manner.hpp"

namespace nightwell::sim {

inline constexpr int modbus_unit = 17;

[[nodiscard]] std::unique_ptr<Manner> make_modbus_manner(bool tcp);

}  // namespace nightwell::sim
