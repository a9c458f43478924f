// Bytes of an instrument at random, and the corpus that the fuzzers found (corpus/NAME, one input a file). Repeatable: the
// seed is fixed, and taken from NIGHTWELL_SEED where that is set.
#include <catch2/catch.hpp>
#include <charconv>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <random>
#include <sstream>

#include "fuzz/line_property.hpp"
#include "fuzz/text_property.hpp"

using namespace nightwell::tests;

namespace {

std::uint32_t line_seed() {
  std::uint32_t seed = 20261126;
  if (const char* given = std::getenv("NIGHTWELL_SEED")) {
    const std::string_view text = given;
    std::from_chars(text.data(), text.data() + text.size(), seed);
  }
  return seed;
}

std::vector<std::pair<std::string, std::string>> corpus(const std::string& name) {
  std::vector<std::pair<std::string, std::string>> out;
  const auto folder = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" / "fuzz" / "corpus" / name;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    std::ifstream file(entry.path(), std::ios::binary);
    std::ostringstream text;
    text << file.rdbuf();
    out.emplace_back(entry.path().filename().string(), text.str());
  }
  return out;
}

void check_corpus(const std::string& name, const std::function<std::string(std::string_view)>& complaint_about) {
  const auto inputs = corpus(name);
  REQUIRE(inputs.size() >= 10);
  for (const auto& [file, input] : inputs) {
    const std::string complaint = complaint_about(input);
    if (!complaint.empty()) FAIL_CHECK(name << "/" << file << ": " << complaint);
  }
}

}  // namespace

TEST_CASE("the line engine keeps its promises with an instrument that does anything") {
  for (std::uint32_t step = 0; step < 1500; ++step) {
    std::mt19937 random(line_seed() + step);
    std::string bytes(1 + random() % 200, '\0');
    // Mostly true replies, or no call ever gets far.
    for (char& byte : bytes) byte = static_cast<char>(random() % 3 == 0 ? random() % 256 : 0);
    bytes[0] = static_cast<char>(step % 4);
    const std::string complaint = complaint_about_line(bytes);
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << line_seed() + step << ": " << complaint);
  }
}

TEST_CASE("what the fuzzers found stays right") {
  check_corpus("line", complaint_about_line);
  check_corpus("reply", complaint_about_reply);
  check_corpus("wire_log", complaint_about_wire_log);
}
