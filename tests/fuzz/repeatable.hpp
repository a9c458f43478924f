// What the seeded loops and the fuzzers' kept inputs share: both run the same whenever they are run.
#pragma once

#include <catch2/catch.hpp>
#include <charconv>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <string_view>

namespace nightwell::tests {

// Of a loop's first step; each failure names its own. NIGHTWELL_SEED in the environment sets another.
inline std::uint32_t first_seed() {
  std::uint32_t seed = 20261126;
  if (const char* given = std::getenv("NIGHTWELL_SEED")) {
    const std::string_view text = given;
    std::from_chars(text.data(), text.data() + text.size(), seed);
  }
  return seed;
}

// Every input in tests/fuzz/corpus/NAME, one a file: `complaint_about` gives what is wrong, or the empty string.
template <class ComplaintAbout>
void check_corpus(const std::string& name, ComplaintAbout complaint_about) {
  const auto folder = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" / "fuzz" / "corpus" / name;
  int inputs = 0;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    std::ifstream file(entry.path(), std::ios::binary);
    std::ostringstream bytes;
    bytes << file.rdbuf();
    const std::string complaint = complaint_about(bytes.str());
    if (!complaint.empty()) FAIL_CHECK(entry.path().string() << ": " << complaint);
    ++inputs;
  }
  REQUIRE(inputs >= 10);
}

}  // namespace nightwell::tests
