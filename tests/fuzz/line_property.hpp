// What holds for the line engine whatever an instrument sends: bytes decide, message by message, whether a simulated
// instrument answers truly, late, cut, twice, in pieces, with a damaged byte, with anything at all, not, or is unplugged.
//
//   every call ends within the time that line_instrument.hpp promises (virtual time); numbers are finite; errors say
//   something; a setpoint and "on" go out at most once a call; "off" goes out at least once where the line is there.
#pragma once

#include <string>
#include <string_view>

namespace nightwell::tests {

// The first byte chooses the instrument: scpi-scanner, scpi-source, terse-bath, chatty-scanner, polled-scanner. What is wrong with what
// the engine did, or nothing (the empty string).
[[nodiscard]] std::string complaint_about_line(std::string_view bytes);

}  // namespace nightwell::tests
