// A record's fields, with the first thing that is not as docs/journal.md says kept as the error.
//
// Each getter gives a value of its type whatever happens; the caller asks ok() before it relies on what it got.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "journal/reader.hpp"
#include "nightwell/result.hpp"

namespace nightwell::results {

// "record n 17 (sweep)", and the error of a record that is not as docs/journal.md says.
[[nodiscard]] std::string place_of(std::uint64_t n, const std::string& kind);
[[nodiscard]] Error damaged(const std::string& place, const std::string& what);

class Fields {
 public:
  using Json = nlohmann::ordered_json;

  // `error` gets the first fault; both must outlive this.
  Fields(const journal::Record& record, std::optional<Error>& error)
      : json_(record.body), where_(place_of(record.n, record.kind)), error_(error) {}

  [[nodiscard]] bool ok() const { return !error_; }
  void fail(const std::string& what) const;

  // The value at `key`, or a JSON null once the key's absence is noted.
  [[nodiscard]] const Json& at(const char* key) const;
  [[nodiscard]] bool has(const char* key) const { return json_.contains(key); }
  [[nodiscard]] Fields object(const char* key) const;
  // One object of a list that at() gave.
  [[nodiscard]] Fields element(const Json& object, const std::string& called) const;

  [[nodiscard]] std::string text(const char* key) const;
  // null gives "".
  [[nodiscard]] std::string text_or_null(const char* key) const;
  [[nodiscard]] double number(const char* key) const;
  [[nodiscard]] std::uint64_t whole(const char* key) const;
  // null gives nullopt.
  [[nodiscard]] std::optional<double> number_or_null(const char* key) const;
  [[nodiscard]] std::optional<std::uint64_t> whole_or_null(const char* key) const;
  [[nodiscard]] std::vector<std::string> texts(const char* key) const;
  // A list of indices below `limit`.
  [[nodiscard]] std::vector<std::size_t> indices(const char* key, std::size_t limit) const;
  [[nodiscard]] std::size_t index(const char* key, std::size_t limit) const;
  [[nodiscard]] std::vector<double> numbers(const char* key) const;
  [[nodiscard]] std::vector<std::optional<double>> numbers_or_nulls(const char* key) const;

 private:
  Fields(const Json& json, std::string where, std::optional<Error>& error)
      : json_(json), where_(std::move(where)), error_(error) {}
  [[nodiscard]] std::string quoted(const char* key) const;

  const Json& json_;
  std::string where_;
  std::optional<Error>& error_;
};

}  // namespace nightwell::results
