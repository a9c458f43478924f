// Bytes of an instrument at random, and the corpus that the fuzzers found (corpus/NAME, one input a file). Repeatable: the
// seed is fixed, and taken from NIGHTWELL_SEED where that is set.
#include <catch2/catch.hpp>
#include <random>

#include "fuzz/line_property.hpp"
#include "fuzz/repeatable.hpp"
#include "fuzz/text_property.hpp"

using namespace nightwell::tests;

TEST_CASE("the line engine keeps its promises with an instrument that does anything") {
  for (std::uint32_t step = 0; step < 1500; ++step) {
    std::mt19937 random(first_seed() + step);
    std::string bytes(1 + random() % 200, '\0');
    // Mostly true replies, or no call ever gets far.
    for (char& byte : bytes) byte = static_cast<char>(random() % 3 == 0 ? random() % 256 : 0);
    bytes[0] = static_cast<char>(step % 5);
    const std::string complaint = complaint_about_line(bytes);
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << first_seed() + step << ": " << complaint);
  }
}

TEST_CASE("what the fuzzers found stays right") {
  check_corpus("line", complaint_about_line);
  check_corpus("reply", complaint_about_reply);
  check_corpus("wire_log", complaint_about_wire_log);
}
