// Small things that several files of this room need: numbers and untrusted bytes as text, and a visitor.
#pragma once

#include <charconv>
#include <cmath>
#include <string>
#include <string_view>

namespace nightwell::guardian {

template <class... Cases>
struct Overload : Cases... {
  using Cases::operator()...;
};
template <class... Cases>
Overload(Cases...) -> Overload<Cases...>;

// At most three decimals, for people; written as it is from 1e12 on. `value` is finite.
[[nodiscard]] inline std::string number(double value) {
  char buffer[64];
  const double rounded = std::abs(value) < 1e12 ? std::round(value * 1000) / 1000 : value;
  return {buffer, std::to_chars(buffer, buffer + sizeof buffer, rounded).ptr};
}

// Bytes as they may stand in a log or on a terminal: printable ASCII as it is, all else \xNN.
[[nodiscard]] inline std::string printable(std::string_view text) {
  static constexpr char digits[] = "0123456789abcdef";
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte >= 0x20 && byte < 0x7f) {
      out += c;
    } else {
      out += "\\x";
      out += digits[byte >> 4];
      out += digits[byte & 0xf];
    }
  }
  return out;
}

}  // namespace nightwell::guardian
