// What `drivers talk` shows and understands, as text: nothing of an instrument's bytes reaches a terminal as it is.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace nightwell::cli {

// "CR", "LF", "CRLF", "none".
[[nodiscard]] std::optional<std::string> terminator(std::string_view word);

// Cuts what an instrument sends into lines to show: behind each terminator, and before what is still coming.
class HeardLines {
 public:
  // `end`: the terminator; empty: none, everything is shown as it comes.
  explicit HeardLines(std::string end) : end_(std::move(end)) {}
  // The lines that are whole now, with their terminators.
  [[nodiscard]] std::vector<std::string> take(std::string_view bytes);
  // What is left without one; empty: nothing.
  [[nodiscard]] std::string rest();

 private:
  std::string end_, held_;
};

// A line for people: printable ASCII and escapes, its terminator left out. `hex`: 16 bytes a line, hexadecimal, and what
// is printable of them.
[[nodiscard]] std::string shown(std::string_view bytes, std::string_view end, bool hex);

}  // namespace nightwell::cli
