// One line of a table for a spreadsheet: RFC 4180, UTF-8.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace nightwell::report {

// A text cell, controls shown as escapes. A spreadsheet takes a cell that starts with one of = + - @ (or with a tab or
// blanks before one) for a formula; an apostrophe in front makes it text there (CWE-1236).
[[nodiscard]] std::string text_cell(const std::string& given);

// Appends a line to a text, cell by cell.
class CsvLine {
 public:
  explicit CsvLine(std::string& to) : to_(to) {}

  CsvLine& text(const std::string& value) { return cells(text_cell(value)); }
  // The shortest text that reads back as the same double; empty for a missing value.
  CsvLine& number(std::optional<double> value);
  template <class Whole>
  CsvLine& whole(Whole value) {
    return cells(std::to_string(value));
  }
  CsvLine& nothing() { return cells(""); }
  // One or more that are ready, with commas between them.
  CsvLine& cells(std::string_view ready);
  // Its CRLF.
  void end() { to_ += "\r\n"; }

 private:
  void comma();

  std::string& to_;
  bool first_ = true;
};

}  // namespace nightwell::report
