#include "report/csv_line.hpp"

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
  comma();
  append_exact(to_, value);
  return *this;
}

CsvLine& CsvLine::cells(std::string_view ready) {
  comma();
  to_ += ready;
  return *this;
}

void CsvLine::comma() {
  if (!first_) to_ += ',';
  first_ = false;
}

}  // namespace nightwell::report
