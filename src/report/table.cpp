#include "report/table.hpp"

#include <algorithm>

#include "journal/plain_text.hpp"
#include "journal/utf8.hpp"

namespace nightwell::report {

using journal::columns;
using journal::first_character;
using journal::printable;

namespace {

// Bytes of the first `width` characters.
std::size_t bytes_of(std::string_view text, std::size_t width) {
  std::size_t at = 0;
  for (; width > 0 && at < text.size(); --width) at += first_character(text.substr(at)).length;
  return at;
}

void trim_end(std::string& line) {
  line.erase(line.find_last_not_of(' ') + 1);
}

}  // namespace

std::string fitted(std::string_view text, std::size_t width) {
  std::string out = printable(text);
  if (columns(out) <= width) return out;
  out.resize(bytes_of(out, width - 1));
  return out + "…";
}

std::string wrapped(const std::string& first, std::string_view text, std::size_t width) {
  const std::size_t indent = columns(first);
  std::string out, lead = first, rest = printable(text);
  do {
    std::size_t take = bytes_of(rest, width - indent);
    std::size_t next = take;
    if (take < rest.size()) {
      const std::size_t space = rest.rfind(' ', take);
      if (space != std::string::npos && space > 0) take = space, next = space + 1;
    }
    std::string line = lead + rest.substr(0, take);
    trim_end(line);
    out += line + "\n";
    rest.erase(0, next);
    lead.assign(indent, ' ');
  } while (!rest.empty());
  return out;
}

void Table::add(const std::vector<std::string>& cells) {
  auto& row = rows_.emplace_back();
  for (std::size_t i = 0; i < columns_.size(); ++i) row.push_back(fitted(cells.at(i), columns_[i].widest));
}

std::string Table::text() const {
  std::vector<std::size_t> widths;
  for (std::size_t i = 0; i < columns_.size(); ++i) {
    std::size_t width = columns(columns_[i].head);
    for (const auto& row : rows_) width = std::max(width, columns(row[i]));
    widths.push_back(width);
  }
  const auto line = [&](auto cell) {
    std::string out;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      const std::string text = cell(i);
      const std::string blanks(widths[i] - columns(text), ' ');
      out += "  " + (columns_[i].right ? blanks + text : text + blanks);
    }
    trim_end(out);
    return out + "\n";
  };
  std::string out = line([&](std::size_t i) { return columns_[i].head; });
  for (const auto& row : rows_) out += line([&](std::size_t i) { return row[i]; });
  return out;
}

}  // namespace nightwell::report
