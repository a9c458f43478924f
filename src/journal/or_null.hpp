#pragma once
// A value that may be absent, as JSON: what is not known is written as null, never left out and never as a number.

#include <nlohmann/json.hpp>
#include <optional>

namespace nightwell::journal {

template <class T>
nlohmann::ordered_json or_null(const std::optional<T>& value) {
  return value ? nlohmann::ordered_json(*value) : nlohmann::ordered_json(nullptr);
}

}  // namespace nightwell::journal
