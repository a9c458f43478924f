// Replies in the formats of IEEE 488.2 and SCPI-1999, read strictly: the whole text is consumed or it is not
// a reply. Pure functions; text is untrusted.
//
// Source: IEEE 488.2-1992 section 8.7 (response data: NR1, NR2, NR3, string), SCPI-1999 volume 1 section 7.2
// (numbers that are none: 9.9E37 infinity, -9.9E37 negative infinity, 9.91E37 not a number) and chapter 21
// (SYSTem:ERRor); both from memory of the standards, not from a copy at hand.
#pragma once

#include <string>
#include <string_view>

#include "nightwell/instrument/codec.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

// [+-] digits [. digits] [E [+-] digits], or . digits; no spaces, no thousands separators, no hexadecimal.
// Always finite and at most 1e30 in magnitude. Errors: overload (magnitude from 9.9E37 on, or the words INF
// and NINF), open_sensor (9.91E37 or NAN: not a number), garbled (anything else, magnitudes between 1e30 and
// those among it, and more digits than a double's range).
[[nodiscard]] Result<double> parse_scpi_number(std::string_view text);

// "0" or "1". Errors: garbled.
[[nodiscard]] Result<bool> parse_scpi_boolean(std::string_view text);

// -113,"Undefined header": a number, a comma, a string in double quotes (a quote inside is doubled).
// Errors: garbled.
[[nodiscard]] Result<QueueEntry> parse_scpi_error(std::string_view text);

// The identity: printable ASCII with at least one comma (488.2 states four fields) and 4 to 256 bytes, so
// that no number and no truth value passes for one. Errors: garbled.
[[nodiscard]] Result<Identity> parse_scpi_identity(std::string_view text);

// A temperature as a decimal number without exponent, shortest text that reads back as the same double.
// Errors: bad_input (not finite, or beyond 10,000 °C either way).
[[nodiscard]] Result<std::string> format_scpi_temperature(double t_c);

// Bytes from outside for a message: printable ASCII as it is, the rest as \xNN, cut after `longest` bytes.
[[nodiscard]] std::string printable(std::string_view bytes, std::size_t longest = 80);

}  // namespace nightwell::instrument
