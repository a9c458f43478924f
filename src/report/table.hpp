// A table of text for a terminal.
#pragma once

#include <string>
#include <vector>

namespace nightwell::report {

struct Column {
  std::string head;
  bool right = false;        // numbers stand right
  std::size_t widest = 100;  // longer cells are cut, and end in "…"
};

class Table {
 public:
  explicit Table(std::vector<Column> columns) : columns_(std::move(columns)) {}

  // As many cells as columns; each is made harmless for a terminal.
  void add(const std::vector<std::string>& cells);

  // Head and rows, two columns in from the left, two between, no blanks at the ends of lines.
  [[nodiscard]] std::string text() const;

 private:
  std::vector<Column> columns_;
  std::vector<std::vector<std::string>> rows_;
};

// At most `width` columns of harmless text, cut with "…".
[[nodiscard]] std::string fitted(std::string_view text, std::size_t width);

// Harmless text in lines of at most `width` columns, broken at spaces where there are any; the first line starts with
// `first`, the others with as many blanks.
[[nodiscard]] std::string wrapped(const std::string& first, std::string_view text, std::size_t width);

}  // namespace nightwell::report
