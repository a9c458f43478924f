#include "journal/utf8.hpp"

namespace nightwell::journal {

namespace {

struct Lead {
  std::size_t length;
  char32_t bits;      // those of the first byte
  char32_t smallest;  // anything below is an overlong form
};

Lead lead_of(unsigned char byte) {
  if (byte < 0x80) return {1, byte, 0};
  if ((byte & 0xe0) == 0xc0) return {2, byte & 0x1fu, 0x80};
  if ((byte & 0xf0) == 0xe0) return {3, byte & 0x0fu, 0x800};
  if ((byte & 0xf8) == 0xf0) return {4, byte & 0x07u, 0x10000};
  return {0, 0, 0};
}

}  // namespace

Utf8Step first_character(std::string_view text) {
  const auto first = static_cast<unsigned char>(text.front());
  const Utf8Step bad{first, 1, false};
  const Lead lead = lead_of(first);
  if (lead.length == 0 || text.size() < lead.length) return bad;
  char32_t character = lead.bits;
  for (std::size_t i = 1; i < lead.length; ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    if ((byte & 0xc0) != 0x80) return bad;
    character = (character << 6) | (byte & 0x3fu);
  }
  const bool surrogate = character >= 0xd800 && character <= 0xdfff;
  if (character < lead.smallest || character > 0x10ffff || surrogate) return bad;
  return {character, lead.length, true};
}

}  // namespace nightwell::journal
