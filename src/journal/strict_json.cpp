#include "journal/strict_json.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <vector>

#include "journal/json_numbers.hpp"
#include "journal/json_walker.hpp"
#include "journal/utf8.hpp"

namespace nightwell::journal::strict_json {

namespace {

using Json = nlohmann::ordered_json;

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
  const char* wrong = read_double(lexeme, value);
  out = value;
  return wrong;
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
