#include "cli/column_file.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>
#include <string_view>

namespace nightwell::cli {
namespace {

constexpr std::size_t most_rows = 10'000'000;

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && (text.front() == ' ' || text.front() == '\t')) text.remove_prefix(1);
  while (!text.empty() && (text.back() == ' ' || text.back() == '\t' || text.back() == '\r')) text.remove_suffix(1);
  return text;
}

std::vector<std::string_view> cells_of(std::string_view line, char separator) {
  std::vector<std::string_view> out;
  while (true) {
    const std::size_t end = line.find(separator);
    out.push_back(trimmed(line.substr(0, end)));
    if (end == std::string_view::npos) return out;
    line.remove_prefix(end + 1);
  }
}

char separator_of(std::string_view header) {
  for (const char candidate : {'\t', ';'})
    if (header.find(candidate) != std::string_view::npos) return candidate;
  return ',';
}

class Reader {
 public:
  explicit Reader(const std::filesystem::path& file) : path_(file.string()), in_(file, std::ios::binary) {}

  Result<std::vector<std::vector<double>>> read(const std::vector<std::string>& columns) {
    if (!in_) return Error{Errc::not_found, "reading a log", "there is no such file that can be read", path_};
    if (!next()) return wrong("the file is empty");
    separator_ = separator_of(line_);
    const auto places = find(columns);
    if (!places) return places.error();
    std::vector<std::vector<double>> rows;
    while (next()) {
      if (trimmed(line_).empty()) continue;
      if (rows.size() == most_rows) return wrong("more than 10 million rows");
      auto row = numbers(*places, columns);
      if (!row) return row.error();
      rows.push_back(std::move(row).value());
    }
    if (rows.empty()) return wrong("there are no rows below the header");
    return rows;
  }

 private:
  bool next() {
    ++number_;
    return static_cast<bool>(std::getline(in_, line_));
  }

  Error wrong(const std::string& what) const {
    return {Errc::bad_input, "reading a log", what, path_ + " line " + std::to_string(number_)};
  }

  Result<std::vector<std::size_t>> find(const std::vector<std::string>& columns) const {
    const auto header = cells_of(line_, separator_);
    std::vector<std::size_t> places;
    for (const std::string& column : columns) {
      const auto found = std::find(header.begin(), header.end(), column);
      if (found == header.end()) {
        std::string there;
        for (const auto name : header) there += (there.empty() ? "" : ", ") + std::string(name);
        return wrong("there is no column \"" + column + "\"; the columns are " + there);
      }
      places.push_back(static_cast<std::size_t>(found - header.begin()));
    }
    return places;
  }

  Result<std::vector<double>> numbers(const std::vector<std::size_t>& places,
                                      const std::vector<std::string>& columns) const {
    const auto cells = cells_of(line_, separator_);
    std::vector<double> out;
    for (std::size_t i = 0; i < places.size(); ++i) {
      if (places[i] >= cells.size()) return wrong("the row ends before column \"" + columns[i] + "\"");
      const std::string_view cell = cells[places[i]];
      double value = 0;
      const auto [end, error] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
      if (error != std::errc() || end != cell.data() + cell.size() || !std::isfinite(value))
        return wrong("\"" + std::string(cell.substr(0, 40)) + "\" in column \"" + columns[i] + "\" is not a number");
      out.push_back(value);
    }
    return out;
  }

  std::string path_;
  std::ifstream in_;
  std::string line_;
  std::size_t number_ = 0;
  char separator_ = ',';
};

}  // namespace

Result<std::vector<std::vector<double>>> read_columns(const std::filesystem::path& file,
                                                      const std::vector<std::string>& columns) {
  return Reader(file).read(columns);
}

}  // namespace nightwell::cli
