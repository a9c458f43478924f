// Reading JSON that came from outside and may lack anything: nothing where a key is missing, null or of
// another type. For ordered and unordered JSON alike.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "journal/wording.hpp"

namespace nightwell::journal {

// The value at `key`, or a JSON null that lives for ever.
template <class Json>
[[nodiscard]] const Json& at(const Json& object, const char* key) {
  static const Json nothing;
  if (!object.is_object()) return nothing;
  const auto found = object.find(key);
  return found == object.end() ? nothing : *found;
}

// The list at `key`, or an empty one.
template <class Json>
[[nodiscard]] const Json& list_at(const Json& object, const char* key) {
  static const Json none = Json::array();
  const Json& found = at(object, key);
  return found.is_array() ? found : none;
}

template <class Json>
[[nodiscard]] std::optional<double> number_at(const Json& object, const char* key) {
  const Json& found = at(object, key);
  if (!found.is_number()) return std::nullopt;
  return found.template get<double>();
}

// A whole number of zero or more: an index or a count.
template <class Json>
[[nodiscard]] std::optional<std::size_t> count_of(const Json& value) {
  if (!value.is_number_integer() || (!value.is_number_unsigned() && value.template get<std::int64_t>() < 0))
    return std::nullopt;
  return value.template get<std::size_t>();
}

template <class Json>
[[nodiscard]] std::optional<std::size_t> count_at(const Json& object, const char* key) {
  return count_of(at(object, key));
}

template <class Json>
[[nodiscard]] std::optional<bool> flag_at(const Json& object, const char* key) {
  const Json& found = at(object, key);
  if (!found.is_boolean()) return std::nullopt;
  return found.template get<bool>();
}

// As it stands, for comparing and for files. Not for a terminal.
template <class Json>
[[nodiscard]] std::string raw_text_at(const Json& object, const char* key) {
  const Json& found = at(object, key);
  return found.is_string() ? found.template get<std::string>() : std::string();
}

// Safe for a terminal; "" where missing.
template <class Json>
[[nodiscard]] std::string text_at(const Json& object, const char* key) {
  return shown(raw_text_at(object, key));
}

}  // namespace nightwell::journal
