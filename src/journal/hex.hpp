// Bytes as lower-case hex.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace nightwell::journal {

[[nodiscard]] inline std::string lower_hex(const unsigned char* bytes, std::size_t count) {
  constexpr std::string_view digits = "0123456789abcdef";
  std::string out;
  for (std::size_t i = 0; i < count; ++i) {
    out += digits[bytes[i] >> 4];
    out += digits[bytes[i] & 15];
  }
  return out;
}

}  // namespace nightwell::journal
