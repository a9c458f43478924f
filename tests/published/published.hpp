// Reads the published values in tests/published/data (sources: its README).
#pragma once

#include <catch2/catch.hpp>
#include <charconv>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace nightwell::tests {

inline std::string data_file(const std::string& name) {
  return std::string(NIGHTWELL_SOURCE_DIR) + "/tests/published/data/" + name;
}

inline std::vector<std::vector<std::string>> csv(const std::string& name) {
  std::ifstream in(data_file(name));
  REQUIRE(in);
  std::string line;
  std::getline(in, line);
  std::vector<std::vector<std::string>> rows;
  while (std::getline(in, line)) {
    rows.emplace_back();
    for (std::size_t from = 0; from <= line.size();) {
      const auto comma = std::min(line.find(',', from), line.size());
      rows.back().push_back(line.substr(from, comma - from));
      from = comma + 1;
    }
  }
  REQUIRE(!rows.empty());
  return rows;
}

inline double number(const std::string& text) {
  double value = 0;
  const auto done = std::from_chars(text.data(), text.data() + text.size(), value);
  REQUIRE(done.ec == std::errc());
  return value;
}

inline nlohmann::json json_file(const std::string& name) {
  std::ifstream in(data_file(name));
  REQUIRE(in);
  return nlohmann::json::parse(in);
}

}  // namespace nightwell::tests
