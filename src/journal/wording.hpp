// How numbers, times and words look to people. Pure text; nothing here reads a clock or a locale.
//
// Text that came from outside (a file, an instrument, the daemon) passes through shown() before it is
// printed; numbers and our own words need not.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace nightwell::journal {

// "0.4 s", "42 s", "5 min 11 s", "1 h 25 min", "2 d 3 h". Negative counts as zero.
[[nodiscard]] std::string duration_text(double seconds);

// A number with `decimals` places after the point: fixed(15, 3) is "15.000". Never "-0.000".
[[nodiscard]] std::string fixed(double value, int decimals);
// The shortest text that reads back as the same number: "15", "-25.5".
[[nodiscard]] std::string shortest(double value);

// A label as journals carry it, "2026-11-25T20:15:03.123456Z", for people: "2026-11-25 20:15:03Z". What does
// not look like one comes back as shown() shows it.
[[nodiscard]] std::string utc_text(std::string_view label);

// Text from outside, safe for a terminal and on one line.
[[nodiscard]] std::string shown(std::string_view text);

// The words for people of a state, an outcome or a cause: "not_settled" is "not settled". Names of the format alone, a text's paths
// stay as they are.
[[nodiscard]] std::string words(std::string_view name);

// Columns that a text takes, counting each character as one.
[[nodiscard]] std::size_t width(std::string_view text);
// At most `columns` wide; what is cut ends in "…".
[[nodiscard]] std::string clip(std::string_view text, std::size_t columns);
// Filled up with spaces to `columns`; never cut.
[[nodiscard]] std::string padded(std::string_view text, std::size_t columns);

// Rows of cells as lines with aligned columns, two spaces apart, no trailing spaces; each line ends in LF.
// The first row is the heading.
[[nodiscard]] std::string table(const std::vector<std::vector<std::string>>& rows);

}  // namespace nightwell::journal
