// The grammar of strict_json.hpp, once, for all that reads journals.
//
// Walker tells a sink of each token in order: open_object(), close_object(), open_array(), close_array(), key(), text(),
// number(), literal(). Texts come as they stand between their quotes, `escapes` says whether there are any; a number as it
// stands, `whole` without point and exponent; a literal true, false, or null as nullopt. close_object and number answer
// nullptr, or what is wrong: that ends the walk.
#pragma once

#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <optional>
#include <string_view>

#include "journal/strict_json.hpp"

namespace nightwell::journal::strict_json {

constexpr bool digit(char c) {
  return static_cast<unsigned char>(c - '0') < 10;
}

// How many of 8 bytes are digits before the first that is not. Journals are mostly numbers of changing lengths, where
// a loop over bytes spends its time on mispredicted ends: this way verify() takes a third less.
inline std::size_t leading_digits(const char* bytes) {
  static_assert(std::endian::native == std::endian::little || std::endian::native == std::endian::big);
  std::uint64_t word = 0;
  std::memcpy(&word, bytes, 8);
  word ^= 0x3030303030303030u;  // digits become 0 to 9
  const std::uint64_t others = (((word & 0x7f7f7f7f7f7f7f7fu) + 0x7676767676767676u) | word) & 0x8080808080808080u;
  if constexpr (std::endian::native == std::endian::little)
    return static_cast<std::size_t>(std::countr_zero(others)) / 8;
  else
    return static_cast<std::size_t>(std::countl_zero(others)) / 8;
}

// Characters that stand for themselves within a string.
inline constexpr auto plain = [] {
  std::array<bool, 256> table{};
  for (std::size_t c = 0x20; c < 0x7f; ++c) table[c] = c != '"' && c != '\\';
  return table;
}();

constexpr int hex_value(char c) {
  if (digit(c)) return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  return -1;
}

// The four hex digits at the front of `text`, or -1.
inline int hex4(std::string_view text) {
  if (text.size() < 4) return -1;
  int unit = 0;
  for (std::size_t i = 0; i < 4; ++i) {
    const int value = hex_value(text[i]);
    if (value < 0) return -1;
    unit = unit * 16 + value;
  }
  return unit;
}

template <class Sink>
class Walker {
 public:
  Walker(std::string_view text, Sink& sink) : at_(text.data()), begin_(at_), end_(at_ + text.size()), sink_(sink) {}

  std::optional<Fault> walk() {
    if (value(1) && at_ != end_) fail("something follows the value");
    if (!wrong_) return std::nullopt;
    return Fault{static_cast<std::size_t>(at_ - begin_), wrong_};
  }

 private:
  bool fail(const char* what) {
    wrong_ = what;
    return false;
  }
  bool told(const char* what) { return what == nullptr || fail(what); }
  bool here(char c) const { return at_ != end_ && *at_ == c; }
  bool take(char c) {
    if (!here(c)) return false;
    ++at_;
    return true;
  }

  bool value(int depth) {
    if (at_ == end_) return fail("the text ends too early");
    const char c = *at_;
    if (digit(c) || c == '-') return number();
    switch (c) {
      case '"': return text(false);
      case '{': return object(depth);
      case '[': return array(depth);
      case 't': return word("true", true);
      case 'f': return word("false", false);
      case 'n': return word("null", std::nullopt);
      default: return fail("no JSON value starts like this");
    }
  }

  bool object(int depth) {
    if (depth > deepest) return fail("nested deeper than 16");
    ++at_;
    sink_.open_object();
    if (!take('}')) {
      do {
        if (!here('"')) return fail("a key should stand here");
        if (!text(true)) return false;
        if (!take(':')) return fail("a colon should stand here");
        if (!value(depth + 1)) return false;
      } while (take(','));
      if (!take('}')) return fail("a comma or a closing brace should stand here");
    }
    return told(sink_.close_object());
  }

  bool array(int depth) {
    if (depth > deepest) return fail("nested deeper than 16");
    ++at_;
    sink_.open_array();
    if (!take(']')) {
      do {
        if (!value(depth + 1)) return false;
      } while (take(','));
      if (!take(']')) return fail("a comma or a closing bracket should stand here");
    }
    sink_.close_array();
    return true;
  }

  bool word(std::string_view expected, std::optional<bool> meaning) {
    if (static_cast<std::size_t>(end_ - at_) < expected.size() || std::string_view(at_, expected.size()) != expected)
      return fail("no JSON value starts like this");
    at_ += expected.size();
    sink_.literal(meaning);
    return true;
  }

  bool digits() {
    const char* from = at_;
    while (end_ - at_ >= 8) {
      const std::size_t run = leading_digits(at_);
      at_ += run;
      if (run < 8) return at_ != from;
    }
    while (at_ != end_ && digit(*at_)) ++at_;
    return at_ != from;
  }

  bool number() {
    const char* from = at_;
    bool whole = true;
    take('-');
    if (!take('0') && !digits()) return fail("a number lacks its digits");
    if (take('.')) {
      whole = false;
      if (!digits()) return fail("a number lacks digits behind its point");
    }
    if (here('e') || here('E')) {
      whole = false;
      ++at_;
      if (!take('+')) take('-');
      if (!digits()) return fail("a number lacks the digits of its exponent");
    }
    return told(sink_.number({from, static_cast<std::size_t>(at_ - from)}, whole));
  }

  bool text(bool key) {
    ++at_;
    const char* from = at_;
    bool escapes = false;
    for (;;) {
      while (at_ != end_ && plain[static_cast<unsigned char>(*at_)]) ++at_;
      if (at_ == end_) return fail("a string does not end");
      if (*at_ == '"') break;
      if (*at_ != '\\') return fail("a byte that is not printable ASCII");
      escapes = true;
      if (!escape()) return false;
    }
    const std::string_view inside(from, static_cast<std::size_t>(at_ - from));
    ++at_;
    if (key)
      sink_.key(inside, escapes);
    else
      sink_.text(inside, escapes);
    return true;
  }

  bool escape() {
    ++at_;
    if (at_ == end_) return fail("a string does not end");
    if (*at_ != 'u') {
      if (*at_ != '"' && *at_ != '\\') return fail("an escape that journals do not have");
      ++at_;
      return true;
    }
    ++at_;
    const auto rest = [this] { return std::string_view(at_, static_cast<std::size_t>(end_ - at_)); };
    const int unit = hex4(rest());
    if (unit < 0) return fail("an escape lacks its four lower-case hex digits");
    if (unit >= 0x20 && unit < 0x7f) return fail("an escape for a character that stands for itself");
    at_ += 4;
    if (unit < 0xd800 || unit > 0xdfff) return true;
    if (unit > 0xdbff || rest().substr(0, 2) != "\\u") return fail("half of a surrogate pair");
    at_ += 2;
    const int low = hex4(rest());
    if (low < 0xdc00 || low > 0xdfff) return fail("half of a surrogate pair");
    at_ += 4;
    return true;
  }

  const char* at_;
  const char* begin_;
  const char* end_;
  Sink& sink_;
  const char* wrong_ = nullptr;
};

}  // namespace nightwell::journal::strict_json
