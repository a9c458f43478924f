#include "journal/plain_text.hpp"

#include "journal/utf8.hpp"

namespace nightwell::journal {

namespace {

constexpr std::string_view hex_digits = "0123456789abcdef";

bool bidi_control(char32_t c) {
  return c == 0x061c || c == 0x200e || c == 0x200f || (c >= 0x202a && c <= 0x202e) || (c >= 0x2066 && c <= 0x2069);
}
bool separator(char32_t c) {
  return c == 0x2028 || c == 0x2029;
}

void append_byte(std::string& out, char32_t byte) {
  out += "\\x";
  out += hex_digits[(byte >> 4) & 0xf];
  out += hex_digits[byte & 0xf];
}

void append_unit(std::string& out, char32_t unit) {
  out += "\\u";
  for (int shift = 12; shift >= 0; shift -= 4) out += hex_digits[(unit >> shift) & 0xf];
}

}  // namespace

std::string printable(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) {
    const Utf8Step step = first_character(text);
    const char32_t c = step.character;
    if (!step.valid || c < 0x20 || c == 0x7f)
      append_byte(out, c);
    else if ((c >= 0x80 && c <= 0x9f) || bidi_control(c) || separator(c))
      append_unit(out, c);
    else
      out.append(text.substr(0, step.length));
    text.remove_prefix(step.length);
  }
  return out;
}

std::size_t columns(std::string_view text) {
  std::size_t count = 0;
  for (; !text.empty(); ++count) text.remove_prefix(first_character(text).length);
  return count;
}

}  // namespace nightwell::journal
