// Text from outside, made safe for a terminal, a log line or a table cell.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace nightwell::journal {

// Shows as escapes: C0 controls (line feed and tab too), DEL and bytes that are not UTF-8 as \xHH; C1
// controls, bidirectional controls and the line and paragraph separators as \uHHHH. Everything else stands as
// it is, so that the result is one line of valid UTF-8. A backslash is not doubled: this is for reading, not
// for reading back. Which characters are bidirectional controls: Unicode property Bidi_Control.
[[nodiscard]] std::string printable(std::string_view text);

// How many columns UTF-8 text takes, counting each character as one (wide and combining characters are not
// told apart, so a table that holds them may be out of line).
[[nodiscard]] std::size_t columns(std::string_view text);

}  // namespace nightwell::journal
