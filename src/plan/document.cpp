#include "plan/document.hpp"

#include <algorithm>
#include <string_view>
#include <vector>

namespace nightwell::plan {

namespace {

constexpr std::size_t longest_reason = 160;

// Builds the value and watches depth and keys: the library's own parser would keep the last of two equal keys silently.
class Builder : public Json::json_sax_t {
 public:
  Builder(std::string_view text, const std::string& file, int deepest, FaultList& faults)
      : text_(text), file_(file), deepest_(deepest), faults_(faults) {
    levels_.reserve(static_cast<std::size_t>(deepest));  // levels point into each other: they must not move
  }

  [[nodiscard]] Json take() && { return std::move(root_); }

  bool null() override { return put(nullptr); }
  bool boolean(bool value) override { return put(value); }
  bool number_integer(number_integer_t value) override { return put(value); }
  bool number_unsigned(number_unsigned_t value) override { return put(value); }
  bool number_float(number_float_t value, const string_t&) override { return put(value); }
  bool string(string_t& value) override { return put(std::move(value)); }
  bool binary(binary_t&) override { return false; }  // JSON text has none
  bool start_object(std::size_t) override { return open(Json::object()); }
  bool start_array(std::size_t) override { return open(Json::array()); }
  bool end_object() override { return close(); }
  bool end_array() override { return close(); }

  bool key(string_t& name) override {
    Level& level = levels_.back();
    level.key = name;
    level.again = level.value->contains(name);
    if (level.again)
      faults_.add(place(), "the key " + in_quotes(name) + " a second time", "each key once in an object");
    return true;
  }

  bool parse_error(std::size_t position, const std::string&, const Json::exception& error) override {
    Fault fault;
    fault.file = file_;
    // The library counts the byte that it could not use.
    const std::string_view before = text_.substr(0, std::min(position == 0 ? 0 : position - 1, text_.size()));
    fault.line = 1 + static_cast<std::size_t>(std::count(before.begin(), before.end(), '\n'));
    const std::string_view row = before.substr(before.rfind('\n') + 1);  // npos + 1 is 0: the first line
    fault.column = 1 + static_cast<std::size_t>(std::count_if(row.begin(), row.end(), [](char c) {
                     return (static_cast<unsigned char>(c) & 0xc0) != 0x80;
                   }));
    fault.found = "no JSON";
    fault.allowed = "JSON (RFC 8259) in UTF-8";
    fault.message = reason(error.what()) + hint(before, before.size() < text_.size() ? text_[before.size()] : '\0');
    faults_.add(std::move(fault));
    return false;
  }

 private:
  struct Level {
    Json* value = nullptr;
    std::string key;     // the last one, in an object
    bool again = false;  // the value of `key` goes nowhere: it stood before
    Json unused;         // where such a value is built instead
  };

  // The library's words without its own name, code and place.
  static std::string reason(std::string_view what) {
    if (const auto end = what.find("] "); end != std::string_view::npos) what.remove_prefix(end + 2);
    if (what.substr(0, 11) == "parse error")
      if (const auto end = what.find(": "); end != std::string_view::npos) what.remove_prefix(end + 2);
    return std::string(what.substr(0, longest_reason)) + (what.size() > longest_reason ? "…" : "");
  }

  // What people do whose files were good until they changed them. `at` is the byte behind `before` that could not be used.
  static std::string hint(std::string_view before, char at) {
    const auto is_digit = [](char c) { return c >= '0' && c <= '9'; };
    const auto last_not_blank = before.find_last_not_of(" \t\r\n");
    const char last = last_not_blank == std::string_view::npos ? '\0' : before[last_not_blank];
    if (last == ',' && (at == '}' || at == ']')) return "; the comma before it must go";
    if (at == '/' || at == '#') return "; JSON has no comments";
    if (at == '\'') return "; JSON has double quotes only";
    if (!is_digit(at)) return "";
    while (!before.empty() && is_digit(before.back())) before.remove_suffix(1);
    const bool decimal_comma = before.size() > 1 && before.back() == ',' && is_digit(before[before.size() - 2]);
    return decimal_comma ? "; the decimal sign is a point" : "";
  }

  [[nodiscard]] Place place() const {
    Place out{file_, ""};
    for (const Level& level : levels_)
      out = level.value->is_object() ? out / level.key : out / (level.value->empty() ? 0 : level.value->size() - 1);
    return out;
  }

  Json* slot(Json value) {
    if (levels_.empty()) {
      root_ = std::move(value);
      return &root_;
    }
    Level& level = levels_.back();
    if (level.again) {
      level.unused = std::move(value);
      return &level.unused;
    }
    if (level.value->is_object()) return &((*level.value)[level.key] = std::move(value));
    level.value->push_back(std::move(value));
    return &level.value->back();
  }

  bool put(Json value) {
    slot(std::move(value));
    return true;
  }

  bool open(Json empty) {
    Json* value = slot(std::move(empty));
    if (levels_.size() == static_cast<std::size_t>(deepest_)) {
      faults_.add(place(), "more than " + std::to_string(deepest_) + " levels of nesting",
                  "at most " + std::to_string(deepest_));
      return false;
    }
    levels_.emplace_back().value = value;
    return true;
  }

  bool close() {
    levels_.pop_back();
    return true;
  }

  std::string_view text_;
  const std::string& file_;
  int deepest_;
  FaultList& faults_;
  Json root_;
  std::vector<Level> levels_;
};

}  // namespace

std::optional<Json> parse_document(const FileText& file, int deepest, FaultList& faults) {
  const Place whole{file.name, ""};
  if (!file.unread.empty()) {
    faults.add(whole, "no file that can be read", "a readable file of JSON", file.unread);
    return std::nullopt;
  }
  if (file.text.size() > largest_file) {
    faults.add(whole, std::to_string(file.text.size()) + " bytes", "at most " + std::to_string(largest_file));
    return std::nullopt;
  }
  Builder builder(file.text, file.name, deepest, faults);
  if (!Json::sax_parse(file.text, &builder)) return std::nullopt;
  return std::move(builder).take();
}

}  // namespace nightwell::plan
