// One line of a table for a spreadsheet: RFC 4180, UTF-8.
#pragma once

#include <optional>
#include <string>

namespace nightwell::report {

// A text cell, controls shown as escapes. A spreadsheet takes a cell that starts with one of = + - @ (or with a tab or
// blanks before one) for a formula; an apostrophe in front makes it text there (CWE-1236).
[[nodiscard]] std::string text_cell(const std::string& given);

class CsvLine {
 public:
  CsvLine& text(const std::string& value) { return put(text_cell(value)); }
  // The shortest text that reads back as the same double; empty for a missing value.
  CsvLine& number(std::optional<double> value);
  template <class Whole>
  CsvLine& whole(Whole value) {
    return put(std::to_string(value));
  }
  CsvLine& nothing() { return put(""); }
  // With its CRLF.
  [[nodiscard]] std::string ended() const { return cells_ + "\r\n"; }

 private:
  CsvLine& put(const std::string& cell);

  std::string cells_;
  bool first_ = true;
};

}  // namespace nightwell::report
