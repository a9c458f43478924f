// Reads a JSON object key by key and remembers the first thing that is wrong and where it stands.
//
// Shape: ask for each key once, then finish(): a key that nobody asked for is an error. After an error every
// further answer is a default; only problem() counts.
#pragma once

#include <cmath>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::sim {

class JsonReader {
 public:
  JsonReader(const nlohmann::json& value, std::string place)
      : value_(&value), place_(std::move(place)), problem_(std::make_shared<std::optional<Error>>()) {
    require_object();
  }

  [[nodiscard]] const std::optional<Error>& problem() const { return *problem_; }
  [[nodiscard]] const std::string& place() const { return place_; }

  [[nodiscard]] bool has(const std::string& key) const {
    return value_->is_object() && value_->contains(key) && !value_->at(key).is_null();
  }
  [[nodiscard]] std::vector<std::string> keys() const {
    std::vector<std::string> out;
    if (value_->is_object())
      for (const auto& item : value_->items()) out.push_back(item.key());
    return out;
  }

  double number(const std::string& key) {
    const nlohmann::json* found = require(key);
    if (found == nullptr) return 0;
    if (found->is_number() && std::isfinite(found->get<double>())) return found->get<double>();
    fail(key, "must be a finite number");
    return 0;
  }
  double number(const std::string& key, double otherwise) {
    note(key);
    return has(key) ? number(key) : otherwise;
  }
  // A number that is not negative.
  double amount(const std::string& key, double otherwise) {
    const double value = number(key, otherwise);
    if (value < 0) fail(key, "must not be negative");
    return value;
  }
  int integer(const std::string& key) {
    const nlohmann::json* found = require(key);
    if (found == nullptr) return 0;
    if (found->is_number_integer() && std::abs(found->get<double>()) < 1e9) return found->get<int>();
    fail(key, "must be a whole number");
    return 0;
  }
  int integer(const std::string& key, int otherwise) {
    note(key);
    return has(key) ? integer(key) : otherwise;
  }
  std::string text(const std::string& key) {
    const nlohmann::json* found = require(key);
    if (found == nullptr) return {};
    if (found->is_string()) return found->get<std::string>();
    fail(key, "must be a text");
    return {};
  }
  std::string text(const std::string& key, const std::string& otherwise) {
    note(key);
    return has(key) ? text(key) : otherwise;
  }
  bool truth(const std::string& key, bool otherwise) {
    note(key);
    if (!has(key)) return otherwise;
    if (value_->at(key).is_boolean()) return value_->at(key).get<bool>();
    fail(key, "must be true or false");
    return otherwise;
  }
  std::vector<double> numbers(const std::string& key) {
    note(key);
    std::vector<double> out;
    if (!has(key)) return out;
    if (!value_->at(key).is_array()) fail(key, "must be a list of numbers");
    for (const auto& element : value_->at(key)) {
      if (element.is_number() && std::isfinite(element.get<double>()))
        out.push_back(element.get<double>());
      else
        fail(key, "must be a list of finite numbers");
    }
    return out;
  }
  // The object under a key; an empty one where it is missing and may be.
  JsonReader object(const std::string& key, bool required = true) {
    static const nlohmann::json empty = nlohmann::json::object();
    note(key);
    if (!has(key)) {
      if (required) fail(key, "is missing");
      return JsonReader(empty, place_ + "/" + key, problem_);
    }
    return JsonReader(value_->at(key), place_ + "/" + key, problem_);
  }
  std::vector<JsonReader> objects(const std::string& key) {
    note(key);
    std::vector<JsonReader> out;
    if (!has(key)) return out;
    if (!value_->at(key).is_array()) fail(key, "must be a list");
    std::size_t index = 0;
    for (const auto& element : value_->at(key))
      out.push_back(JsonReader(element, place_ + "/" + key + "/" + std::to_string(index++), problem_));
    return out;
  }

  void fail(const std::string& key, const std::string& what) {
    if (!*problem_) *problem_ = Error{Errc::bad_input, "reading the simulated bench", what, place_ + "/" + key};
  }
  void finish() {
    for (const std::string& key : keys())
      if (!asked_.contains(key)) fail(key, "is a key that nothing reads: correct or remove it");
  }

 private:
  JsonReader(const nlohmann::json& value, std::string place, std::shared_ptr<std::optional<Error>> problem)
      : value_(&value), place_(std::move(place)), problem_(std::move(problem)) {
    require_object();
  }
  void require_object() {
    if (!value_->is_object() && !*problem_)
      *problem_ = Error{Errc::bad_input, "reading the simulated bench", "must be an object", place_};
  }
  void note(const std::string& key) { asked_.insert(key); }
  const nlohmann::json* require(const std::string& key) {
    note(key);
    if (has(key)) return &value_->at(key);
    fail(key, "is missing");
    return nullptr;
  }

  const nlohmann::json* value_;
  std::string place_;
  std::shared_ptr<std::optional<Error>> problem_;  // shared with the readers of the objects inside
  std::set<std::string> asked_;
};

}  // namespace nightwell::sim
