#include "journal/strict_json.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <charconv>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <nlohmann/json.hpp>
#include <vector>

#include "journal/utf8.hpp"

namespace nightwell::journal::strict_json {

namespace {

using Json = nlohmann::ordered_json;

constexpr bool digit(char c) {
  return static_cast<unsigned char>(c - '0') < 10;
}

// How many of 8 bytes are digits before the first that is not. Journals are mostly numbers of changing lengths, where
// a loop over bytes spends its time on mispredicted ends: this way verify() takes a third less.
std::size_t leading_digits(const char* bytes) {
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
constexpr auto plain = [] {
  std::array<bool, 256> table{};
  for (std::size_t c = 0x20; c < 0x7f; ++c) table[c] = c != '"' && c != '\\';
  return table;
}();

constexpr int hex_value(char c) {
  if (digit(c)) return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

// The four hex digits at the front of `text`, or -1.
int hex4(std::string_view text) {
  if (text.size() < 4) return -1;
  int unit = 0;
  for (std::size_t i = 0; i < 4; ++i) {
    const int value = hex_value(text[i]);
    if (value < 0) return -1;
    unit = unit * 16 + value;
  }
  return unit;
}

// The grammar, once, for both readers. `Sink` is told of each token and answers nullptr or what is wrong with
// it.
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
      if (std::string_view("\"\\/bfnrt").find(*at_) == std::string_view::npos) return fail("an unknown escape");
      ++at_;
      return true;
    }
    ++at_;
    const auto rest = [this] { return std::string_view(at_, static_cast<std::size_t>(end_ - at_)); };
    const int unit = hex4(rest());
    if (unit < 0) return fail("an escape lacks its four hex digits");
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

struct NoSink {
  void open_object() {}
  const char* close_object() { return nullptr; }
  void open_array() {}
  void close_array() {}
  void key(std::string_view, bool) {}
  void text(std::string_view, bool) {}
  const char* number(std::string_view, bool) { return nullptr; }
  void literal(std::optional<bool>) {}
};

// ---- numbers
// ------------------------------------------------------------------------------------------------------

// A decimal number without the ways it can be written: its digits without zeros at either end, and the power
// of ten of the first.
struct Decimal {
  std::string digits;
  std::int64_t power = 0;
  friend bool operator==(const Decimal&, const Decimal&) = default;
};

Decimal decimal(std::string_view number) {
  if (!number.empty() && number.front() == '-') number.remove_prefix(1);
  const std::size_t e = std::min(number.find_first_of("eE"), number.size());
  std::int64_t exponent = 0;
  if (e < number.size()) {
    std::string_view text = number.substr(e + 1);
    if (!text.empty() && text.front() == '+') text.remove_prefix(1);
    std::from_chars(text.data(), text.data() + text.size(), exponent);
  }
  Decimal out;
  const std::string_view mantissa = number.substr(0, e);
  const std::size_t point = std::min(mantissa.find('.'), mantissa.size());
  for (const char c : mantissa)
    if (c != '.') out.digits += c;
  out.power = exponent + static_cast<std::int64_t>(point);
  const std::size_t zeros = std::min(out.digits.find_first_not_of('0'), out.digits.size());
  out.digits.erase(0, zeros);
  out.power -= static_cast<std::int64_t>(zeros);
  out.digits.erase(out.digits.find_last_not_of('0') + 1);
  if (out.digits.empty()) out.power = 0;
  return out;
}

std::string_view print(double value, std::array<char, 32>& into) {
  const auto done = std::to_chars(into.data(), into.data() + into.size(), value);
  return {into.data(), static_cast<std::size_t>(done.ptr - into.data())};
}

bool comes_back(std::string_view lexeme, double value) {
  // Up to 15 digits always come back (DBL_DIG), away from the ends of the range; a short lexeme without an
  // exponent is far away from them.
  if (lexeme.size() <= 16 && lexeme.find_first_of("eE") == std::string_view::npos) return true;
  std::array<char, 32> room{};
  const std::string_view again = print(value, room);
  return again == lexeme || decimal(again) == decimal(lexeme);
}

const char* read_number(std::string_view lexeme, bool whole, Json& out) {
  const char* const end = lexeme.data() + lexeme.size();
  if (whole && lexeme != "-0") {
    std::uint64_t count = 0;
    std::int64_t number = 0;
    if (lexeme.front() != '-' && std::from_chars(lexeme.data(), end, count).ec == std::errc()) {
      out = count;
      return nullptr;
    }
    if (lexeme.front() == '-' && std::from_chars(lexeme.data(), end, number).ec == std::errc()) {
      out = number;
      return nullptr;
    }
  }
  double value = 0;
  if (std::from_chars(lexeme.data(), end, value).ec != std::errc()) return "a number beyond what a double can hold";
  if (!comes_back(lexeme, value)) return "a number with more digits than a double can hold";
  out = value;
  return nullptr;
}

// ---- text
// ---------------------------------------------------------------------------------------------------------

void append_utf8(std::string& out, char32_t c) {
  const auto tail = [&](int shift) { out += static_cast<char>(0x80 | ((c >> shift) & 0x3f)); };
  if (c < 0x80) {
    out += static_cast<char>(c);
  } else if (c < 0x800) {
    out += static_cast<char>(0xc0 | (c >> 6));
    tail(0);
  } else if (c < 0x10000) {
    out += static_cast<char>(0xe0 | (c >> 12));
    tail(6), tail(0);
  } else {
    out += static_cast<char>(0xf0 | (c >> 18));
    tail(12), tail(6), tail(0);
  }
}

char unescaped(char c) {
  switch (c) {
    case 'b': return '\b';
    case 'f': return '\f';
    case 'n': return '\n';
    case 'r': return '\r';
    case 't': return '\t';
    default: return c;
  }
}

// `inside` has passed the grammar.
std::string unescape(std::string_view inside, bool escapes) {
  if (!escapes) return std::string(inside);
  std::string out;
  out.reserve(inside.size());
  while (!inside.empty()) {
    if (inside.front() != '\\') {
      out += inside.front();
      inside.remove_prefix(1);
    } else if (inside[1] != 'u') {
      out += unescaped(inside[1]);
      inside.remove_prefix(2);
    } else {
      auto c = static_cast<char32_t>(hex4(inside.substr(2)));
      inside.remove_prefix(6);
      if (c >= 0xd800 && c <= 0xdbff) {
        c = 0x10000 + ((c - 0xd800) << 10) + (static_cast<char32_t>(hex4(inside.substr(2))) - 0xdc00);
        inside.remove_prefix(6);
      }
      append_utf8(out, c);
    }
  }
  return out;
}

// ---- building
// -----------------------------------------------------------------------------------------------------

bool has_same_key_twice(const Json::object_t& object) {
  if (object.size() <= 16) {
    for (auto a = object.begin(); a != object.end(); ++a)
      for (auto b = object.begin(); b != a; ++b)
        if (a->first == b->first) return true;
    return false;
  }
  std::vector<std::string_view> keys;
  keys.reserve(object.size());
  for (const auto& [key, value] : object) keys.emplace_back(key);
  std::sort(keys.begin(), keys.end());
  return std::adjacent_find(keys.begin(), keys.end()) != keys.end();
}

class Builder {
 public:
  explicit Builder(Json& root) : root_(root) {}

  void open_object() { open_.push_back(&put(Json::object())); }
  const char* close_object() {
    const auto& object = open_.back()->get_ref<const Json::object_t&>();
    open_.pop_back();
    return has_same_key_twice(object) ? "the same key twice in one object" : nullptr;
  }
  void open_array() { open_.push_back(&put(Json::array())); }
  void close_array() { open_.pop_back(); }
  void key(std::string_view inside, bool escapes) { key_ = unescape(inside, escapes); }
  void text(std::string_view inside, bool escapes) { put(unescape(inside, escapes)); }
  const char* number(std::string_view lexeme, bool whole) {
    Json number;
    const char* wrong = read_number(lexeme, whole, number);
    if (wrong == nullptr) put(std::move(number));
    return wrong;
  }
  void literal(std::optional<bool> meaning) { put(meaning ? Json(*meaning) : Json(nullptr)); }

 private:
  // The parent does not grow while a child is being built, so the pointers in open_ hold.
  Json& put(Json value) {
    if (open_.empty()) return root_ = std::move(value);
    Json& parent = *open_.back();
    if (parent.is_array()) {
      auto& list = parent.get_ref<Json::array_t&>();
      list.push_back(std::move(value));
      return list.back();
    }
    auto& object = parent.get_ref<Json::object_t&>();
    object.emplace_back(std::move(key_), std::move(value));
    key_.clear();
    return object.back().second;
  }

  Json& root_;
  std::vector<Json*> open_;
  std::string key_;
};

// ---- writing
// ------------------------------------------------------------------------------------------------------

void append_unit(std::string& out, char32_t unit) {
  constexpr std::string_view hex_digits = "0123456789abcdef";
  out += "\\u";
  for (int shift = 12; shift >= 0; shift -= 4) out += hex_digits[(unit >> shift) & 0xf];
}

void append_character(std::string& out, char32_t c) {
  if (c >= 0x10000) {
    append_unit(out, 0xd800 + ((c - 0x10000) >> 10));
    append_unit(out, 0xdc00 + ((c - 0x10000) & 0x3ff));
  } else if (c == '"' || c == '\\') {
    out += '\\';
    out += static_cast<char>(c);
  } else if (c < 0x20 || c >= 0x7f) {
    append_unit(out, c);
  } else {
    out += static_cast<char>(c);
  }
}

void append_double(std::string& out, double value) {
  std::array<char, 32> room{};
  const std::string_view printed = print(value, room);
  out += printed;
  // Without a point it would come back as an integer: the same value, and "-0" would lose its sign.
  if (printed.find_first_of(".e") == std::string_view::npos) out += ".0";
}

template <class Integer>
void append_integer(std::string& out, Integer value) {
  std::array<char, 24> room{};
  const auto done = std::to_chars(room.data(), room.data() + room.size(), value);
  out.append(room.data(), done.ptr);
}

// Only a replaced byte can make two keys the same.
bool keys_collide(const Json::object_t& object) {
  std::vector<std::string> written;
  for (const auto& [key, value] : object) append_text(written.emplace_back(), key);
  std::sort(written.begin(), written.end());
  return std::adjacent_find(written.begin(), written.end()) != written.end();
}

std::optional<std::string> append_object(std::string& out, const Json::object_t& object, int depth) {
  bool as_given = true;
  bool first = true;
  out += '{';
  for (const auto& [key, value] : object) {
    if (!first) out += ',';
    first = false;
    as_given = append_text(out, key) && as_given;
    out += ':';
    if (auto wrong = append(out, value, depth + 1)) return "in \"" + key + "\": " + *wrong;
  }
  out += '}';
  if (!as_given && keys_collide(object)) return "two keys become the same once bytes that are not UTF-8 are replaced";
  return std::nullopt;
}

std::optional<std::string> append_array(std::string& out, const Json::array_t& array, int depth) {
  bool first = true;
  out += '[';
  for (const Json& value : array) {
    if (!first) out += ',';
    first = false;
    if (auto wrong = append(out, value, depth + 1)) return wrong;
  }
  out += ']';
  return std::nullopt;
}

}  // namespace

std::optional<Fault> check(std::string_view text) {
  NoSink none;
  return Walker(text, none).walk();
}

std::optional<Fault> parse(std::string_view text, Json& out) {
  Builder builder(out);
  return Walker(text, builder).walk();
}

bool append_text(std::string& out, std::string_view text) {
  bool as_given = true;
  out += '"';
  while (!text.empty()) {
    std::size_t run = 0;
    while (run < text.size() && plain[static_cast<unsigned char>(text[run])]) ++run;
    out.append(text.substr(0, run));
    text.remove_prefix(run);
    if (text.empty()) break;
    const Utf8Step step = first_character(text);
    if (step.valid) {
      append_character(out, step.character);
    } else {
      constexpr std::string_view hex_digits = "0123456789abcdef";
      as_given = false;
      append_unit(out, 0xfffd);
      out += hex_digits[(step.character >> 4) & 0xf];
      out += hex_digits[step.character & 0xf];
    }
    text.remove_prefix(step.length);
  }
  out += '"';
  return as_given;
}

std::optional<std::string> append(std::string& out, const Json& value, int depth) {
  using Type = nlohmann::detail::value_t;
  if ((value.is_object() || value.is_array()) && depth > deepest) return "nested deeper than 16";
  switch (value.type()) {
    case Type::object: return append_object(out, value.get_ref<const Json::object_t&>(), depth);
    case Type::array: return append_array(out, value.get_ref<const Json::array_t&>(), depth);
    case Type::string: append_text(out, value.get_ref<const std::string&>()); return std::nullopt;
    case Type::boolean: out += value.get<bool>() ? "true" : "false"; return std::nullopt;
    case Type::number_integer: append_integer(out, value.get<std::int64_t>()); return std::nullopt;
    case Type::number_unsigned: append_integer(out, value.get<std::uint64_t>()); return std::nullopt;
    case Type::number_float:
      if (!std::isfinite(value.get<double>())) return "a number that is not finite";
      append_double(out, value.get<double>());
      return std::nullopt;
    case Type::null: out += "null"; return std::nullopt;
    case Type::binary:
    case Type::discarded: break;
  }
  return "a value that JSON does not have";
}

}  // namespace nightwell::journal::strict_json
