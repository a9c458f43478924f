#include "results/fields.hpp"

namespace nightwell::results {

namespace {

const Fields::Json nothing;

// JSON read from text has its whole numbers unsigned, JSON put together in a program may have them signed.
std::optional<std::uint64_t> count_in(const Fields::Json& value) {
  if (value.is_number_unsigned()) return value.get<std::uint64_t>();
  if (value.is_number_integer() && value.get<std::int64_t>() >= 0) return value.get<std::uint64_t>();
  return std::nullopt;
}

}  // namespace

std::string place_of(std::uint64_t n, const std::string& kind) {
  return "record n " + std::to_string(n) + " (" + kind + ")";
}

Error damaged(const std::string& place, const std::string& what) {
  return {Errc::damaged, "working results out of a journal", place + ": " + what, ""};
}

std::string Fields::quoted(const char* key) const {
  return "\"" + std::string(key) + "\"";
}

void Fields::fail(const std::string& what) const {
  if (!error_) error_ = damaged(where_, what);
}

const Fields::Json& Fields::at(const char* key) const {
  if (json_.is_object())
    if (const auto found = json_.find(key); found != json_.end()) return *found;
  fail(quoted(key) + " is missing");
  return nothing;
}

Fields Fields::object(const char* key) const {
  return element(at(key), std::string(", ") + key);
}

Fields Fields::element(const Json& object, const std::string& called) const {
  Fields inner(object, where_ + called, error_);
  if (!object.is_object()) inner.fail("it is no object");
  return inner;
}

std::string Fields::text(const char* key) const {
  const Json& value = at(key);
  if (value.is_string()) return value.get<std::string>();
  fail(quoted(key) + " is no text");
  return "";
}

std::string Fields::text_or_null(const char* key) const {
  return at(key).is_null() ? "" : text(key);
}

double Fields::number(const char* key) const {
  const Json& value = at(key);
  if (value.is_number()) return value.get<double>();
  fail(quoted(key) + " is no number");
  return 0;
}

std::uint64_t Fields::whole(const char* key) const {
  if (const auto value = count_in(at(key))) return *value;
  fail(quoted(key) + " is no whole number");
  return 0;
}

std::optional<double> Fields::number_or_null(const char* key) const {
  if (at(key).is_null()) return std::nullopt;
  return number(key);
}

std::optional<std::uint64_t> Fields::whole_or_null(const char* key) const {
  if (at(key).is_null()) return std::nullopt;
  return whole(key);
}

std::vector<std::string> Fields::texts(const char* key) const {
  std::vector<std::string> out;
  const Json& list = at(key);
  if (!list.is_array()) fail(quoted(key) + " is no list");
  for (const Json& value : list)
    if (value.is_string())
      out.push_back(value.get<std::string>());
    else
      fail(quoted(key) + " holds something that is no text");
  return out;
}

std::size_t Fields::index(const char* key, std::size_t limit) const {
  const std::uint64_t value = whole(key);
  if (value >= limit) fail(quoted(key) + " is " + std::to_string(value) + ", beyond what the opening names");
  return static_cast<std::size_t>(value);
}

std::vector<std::size_t> Fields::indices(const char* key, std::size_t limit) const {
  std::vector<std::size_t> out;
  const Json& list = at(key);
  if (!list.is_array()) fail(quoted(key) + " is no list");
  for (const Json& value : list)
    if (const auto one = count_in(value); one && *one < limit)
      out.push_back(static_cast<std::size_t>(*one));
    else
      fail(quoted(key) + " holds something that is no channel index");
  return out;
}

std::vector<double> Fields::numbers(const char* key) const {
  std::vector<double> out;
  for (const auto& value : numbers_or_nulls(key))
    if (value)
      out.push_back(*value);
    else
      fail(quoted(key) + " holds a null");
  return out;
}

std::vector<std::optional<double>> Fields::numbers_or_nulls(const char* key) const {
  std::vector<std::optional<double>> out;
  const Json& list = at(key);
  if (!list.is_array()) fail(quoted(key) + " is no list");
  for (const Json& value : list) {
    if (!value.is_number() && !value.is_null()) fail(quoted(key) + " holds something that is no number");
    out.push_back(value.is_number() ? std::optional<double>(value.get<double>()) : std::nullopt);
  }
  return out;
}

}  // namespace nightwell::results
