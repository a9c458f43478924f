// A wire log: the conversation on one line, written down. The grammar is in docs/drivers.md, "Wire logs"; here it is read
// and its bytes are written.
//
// Shape: bytes of the line stand in `text` as they were sent; waits in whole milliseconds, at most `longest_wait`.
// Errors: bad_input with the number of the line. A recorded log may end in the middle of a line (its program was killed
// while it wrote): that line is left out, and `torn` says so.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::wire_log {

inline constexpr std::chrono::milliseconds longest_wait{7 * 24 * 3600 * 1000LL};

enum class Mark {
  call,       // ":"  what the program calls, or "wait_ms N"
  result,     // "="  what the call must give
  sent,       // ">"  bytes of the program
  received,   // "<"  bytes of the instrument
  wait,       // "@"  the instrument waits
  silence,    // "!timeout": a remark for the reader
  unplugged,  // "!eof"
  plugged,    // "!open"
  flood,      // "!flood": 256 KiB without an end
  lost,       // "!lost N": so many lines could not be written; what follows is not whole
  ended,      // "!end": the recording stopped at its size limit
};

struct Step {
  int line = 0;  // from 1
  Mark mark = Mark::call;
  std::string text;                   // calls and results as written; bytes without escapes
  std::chrono::milliseconds wait{0};  // of wait
};

struct WireLog {
  bool recorded = false;  // "# recorded …" stands first; otherwise hand-written
  bool torn = false;      // the last line was left out
  std::string driver, dialect, identity;
  std::optional<std::chrono::milliseconds> reply;
  std::vector<Step> steps;
};

[[nodiscard]] Result<WireLog> parse(std::string_view text);

// Back to bytes; nothing where an escape is none.
[[nodiscard]] std::optional<std::string> unescaped(std::string_view text);

// Bytes as a wire log writes them: printable ASCII as it is, the others and the backslash as \n, \r, \\ and \xNN.
[[nodiscard]] std::string escaped(std::string_view bytes);

}  // namespace nightwell::wire_log
