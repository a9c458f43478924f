#pragma once
// Answers of the daemon to `status`, kept as files in status/: what the pages are drawn from.

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>

namespace nightwell::cli_test {

// Throws nlohmann::json::parse_error where the file is missing or bent: the test fails.
inline nlohmann::json status_example(const std::string& name) {
  std::ifstream file(std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests/cli/status" / (name + ".json"));
  return nlohmann::json::parse(file);
}

}  // namespace nightwell::cli_test
