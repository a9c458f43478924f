// One thing that is wrong in an input file, with its place: what stands there and what may stand there.
#pragma once

#include <cstddef>
#include <string>

namespace nightwell::plan {

struct Fault {
  std::string file;                  // as the person named it
  std::string pointer;               // JSON pointer (RFC 6901); empty: the whole file
  std::string found;                 // as in the file, shortened: "600", "\"often\"", "nothing"
  std::string allowed;               // "-40 to 120 °C (bath's limits)"
  std::string message;               // why, or what to do, where `found` and `allowed` do not say it; may be empty
  std::size_t line = 0, column = 0;  // 1, 2, … where the file is no JSON; 0: the pointer is the place

  friend bool operator==(const Fault&, const Fault&) = default;
};

// One line of printable UTF-8 (control characters and bytes that are not UTF-8 are escaped):
// "FILE: /plateaus/2/setpoint_c: found 600, allowed -40 to 120 °C (bath's limits)", with "; MESSAGE" behind it.
[[nodiscard]] std::string text(const Fault& fault);

}  // namespace nightwell::plan
