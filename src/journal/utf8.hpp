// Takes text apart into characters, byte by byte where it is not UTF-8.
//
// Source: RFC 3629 (no overlong forms, no surrogates, nothing above U+10FFFF).
#pragma once

#include <cstddef>
#include <string_view>

namespace nightwell::journal {

struct Utf8Step {
  char32_t character = 0;  // the byte itself where it is not UTF-8
  std::size_t length = 1;  // bytes taken, 1..4
  bool valid = false;      // false: one byte that starts no UTF-8 character
};

// `text` must not be empty.
[[nodiscard]] Utf8Step first_character(std::string_view text);

}  // namespace nightwell::journal
