#include "report/csv_line.hpp"

#include <string_view>

#include "journal/plain_text.hpp"
#include "report/numbers.hpp"

namespace nightwell::report {

std::string text_cell(const std::string& given) {
  std::string text = journal::printable(given);
  const std::size_t first = given.find_first_not_of(" \t\r\n");
  const bool formula = first != std::string::npos && std::string_view("=+-@").find(given[first]) != std::string::npos;
  if (formula || (!given.empty() && given.front() == '\t')) text.insert(0, "'");
  if (text.find_first_of(",\"") == std::string::npos && text.find(' ') == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

CsvLine& CsvLine::number(std::optional<double> value) {
  return put(exact(value));
}

CsvLine& CsvLine::put(const std::string& cell) {
  if (!first_) cells_ += ',';
  first_ = false;
  cells_ += cell;
  return *this;
}

}  // namespace nightwell::report
