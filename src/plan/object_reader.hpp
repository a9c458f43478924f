// Reads a JSON object key by key into typed values, and lists everything that is wrong with its place.
//
// Shape: ask for every key that the format knows, once, then finish(): a key that nobody asked for is unknown. Each
// reading gives nullopt where the key is missing or wrong; that it was wrong has been added to the list by then, so the
// caller goes on with what is sound. Names in functions: `x` wants the key, `x_if` lets it be absent.
#pragma once

#include <cstddef>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "nightwell/result.hpp"
#include "plan/fault.hpp"

namespace nightwell::plan {

using Json = nlohmann::json;

// A value's place: file and JSON pointer.
struct Place {
  std::string file, pointer;

  [[nodiscard]] Place operator/(std::string_view key) const;
  [[nodiscard]] Place operator/(std::size_t index) const { return {file, pointer + "/" + std::to_string(index)}; }
};

// Faults in the order they were found, each once. Keeps the first `most`, and a last one that says that there are more.
class FaultList {
 public:
  explicit FaultList(std::size_t most) : most_(most) {}

  void add(Fault fault);
  void add(const Place& place, std::string found, std::string allowed, std::string message = "");
  [[nodiscard]] bool empty() const { return faults_.empty(); }
  [[nodiscard]] std::size_t size() const { return faults_.size(); }
  [[nodiscard]] bool full() const { return faults_.size() >= most_; }
  [[nodiscard]] std::vector<Fault> take() &&;

 private:
  std::size_t most_;
  std::vector<Fault> faults_;
  std::set<std::string> seen_;
  bool more_ = false;
};

// The first of the list, which is not empty, as an error of one value inside a larger text.
[[nodiscard]] Error first_fault(FaultList faults, std::string doing);

// Numbers from `low` (itself allowed, unless `above`) to `high`, in `unit` (for messages; may be empty).
struct Range {
  double low = 0, high = 0;
  const char* unit = "";
  bool above = false;

  [[nodiscard]] bool holds(double value) const { return (above ? value > low : value >= low) && value <= high; }
  [[nodiscard]] std::string text() const;
};

// The shortest decimal text that reads back as the same number.
[[nodiscard]] std::string shortest(double value);

// A value as messages show it: numbers and words as they are, long texts cut, lists and objects named.
[[nodiscard]] std::string shown(const Json& value);
// A text in quotes, cut where it is long.
[[nodiscard]] std::string in_quotes(std::string_view text);
// "\"a\", \"b\" or \"c\""
[[nodiscard]] std::string one_of(const std::vector<std::string>& words);

// A word of the format and what it means.
template <class T>
using Words = std::vector<std::pair<std::string, T>>;

class ObjectReader {
 public:
  // `value` may be anything: what is no object is a fault, and reads as an empty one.
  ObjectReader(const Json& value, Place place, FaultList& faults);

  [[nodiscard]] bool is_object() const { return value_ != nullptr; }
  [[nodiscard]] const Place& place() const { return place_; }
  // Where the value of `key` stands, or would stand.
  [[nodiscard]] Place place(std::string_view key) const;
  // Asking makes the key a known one.
  [[nodiscard]] bool has(const std::string& key) { return want_if(key) != nullptr; }
  // What stands under a key, whatever it is; nullptr: nothing. Asking makes the key a known one.
  [[nodiscard]] const Json* peek(const std::string& key) { return want_if(key); }
  [[nodiscard]] FaultList& faults() const { return *faults_; }

  // Keys that this object lacks are read from `defaults`, whose JSON outlives this reader.
  void fall_back_on(const ObjectReader& defaults);
  // From here on no key is missed, here and in the objects inside: this object is only a part of another.
  void let_keys_be_absent() { partial_ = true; }

  std::optional<double> number(const std::string& key, const Range& range);
  std::optional<double> number_if(const std::string& key, const Range& range);
  std::optional<int> whole(const std::string& key, int low, int high);
  // 1 to `longest` characters, no control characters.
  std::optional<std::string> text(const std::string& key, std::size_t longest = 200);
  std::optional<std::string> text_if(const std::string& key, std::size_t longest = 200);
  std::optional<bool> truth_if(const std::string& key);
  template <class T>
  std::optional<T> word(const std::string& key, const Words<T>& words) {
    const auto index = word_index(key, first_of(words));
    return index ? std::optional<T>(words[*index].second) : std::nullopt;
  }

  // nullopt: missing or no object.
  std::optional<ObjectReader> object(const std::string& key);
  // The same; what this object's own lacks is read from the one that the defaults have under this key.
  std::optional<ObjectReader> merged_object(const std::string& key);
  std::optional<ObjectReader> object_if(const std::string& key);

  struct Element {
    const Json& value;
    Place place;
  };
  // nullopt: missing, no list, or fewer than `fewest` or more than `most` elements.
  std::optional<std::vector<Element>> list(const std::string& key, std::size_t fewest, std::size_t most);
  std::optional<std::vector<double>> numbers(const std::string& key, std::size_t fewest, std::size_t most,
                                             const Range& range);

  struct Member {
    std::string name;
    const Json& value;
    Place place;
  };
  // The members of an object whose keys are names that the person chose: 1 to 100 characters, no control characters.
  // nullopt: `key` is missing, no object, or has fewer than `fewest` or more than `most` members.
  std::optional<std::vector<Member>> members(const std::string& key, std::size_t fewest, std::size_t most);
  std::optional<std::vector<Member>> members_if(const std::string& key, std::size_t fewest, std::size_t most);

  // A fault at a key: what stands there is not allowed.
  void refuse(const std::string& key, std::string allowed, std::string message = "");
  // `key` has no meaning here: it is a fault if it stands.
  void unused(const std::string& key, const std::string& why);
  void finish();

 private:
  const Json* find(const std::string& key) const;
  // Notes that the format knows `key`; adds a fault where it is missing.
  const Json* want(const std::string& key, const std::string& allowed);
  const Json* want_if(const std::string& key);
  std::optional<double> as_number(const std::string& key, const Json* value, const Range& range);
  std::optional<std::string> as_text(const std::string& key, const Json* value, std::size_t longest);
  std::optional<std::size_t> word_index(const std::string& key, const std::vector<std::string>& words);
  std::optional<ObjectReader> as_object(const std::string& key, const Json* value);
  std::optional<std::vector<Member>> as_members(const std::string& key, const Json* value, std::size_t fewest,
                                                std::size_t most);
  void report_unknown(const Json& object, const Place& place) const;
  template <class T>
  static std::vector<std::string> first_of(const Words<T>& words) {
    std::vector<std::string> out;
    for (const auto& [word, meaning] : words) out.push_back(word);
    return out;
  }

  const Json* value_ = nullptr;
  Place place_;
  FaultList* faults_;
  const Json* defaults_ = nullptr;
  Place defaults_place_;
  bool partial_ = false;
  std::vector<std::string> known_;
};

}  // namespace nightwell::plan
