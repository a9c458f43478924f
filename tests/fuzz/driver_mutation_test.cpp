// The lines between a driver's program and its host, bent at random. Repeatable: the seed is fixed, and taken from NIGHTWELL_SEED
// where that is set.
#include <catch2/catch.hpp>
#include <random>
#include <string_view>

#include "fuzz/driver_property.hpp"
#include "fuzz/repeatable.hpp"

using namespace nightwell::tests;

namespace {

constexpr std::string_view driver_lines[] = {
    R"({"hello":"nightwell-driver/1","role":"scanner","instrument":"a","port":{"type":"tcp","host":"h","port":5025},"reply_s":2.0,"identity":""})",
    R"({"hello":"nightwell-driver/1","driver":"d","revision":"1","error":{"code":"bad_input","detail":"x"}})",
    R"({"id":3,"ask":"read","channel":101,"measures":"resistance","within_s":19.0})",
    R"({"id":4,"ask":"set_output","on":true,"within_s":19.0})",
    R"({"id":1,"value":"Seed Bank,7","old_errors":["-113 x"]})",
    R"({"id":3,"value":107.7935,"text":"+1.0E+02","odd":true,"asked_again":1})",
    R"({"id":5,"done":true})",
    R"({"id":6,"error":{"code":"open_sensor","detail":"nothing connected"}})"};
constexpr std::string_view driver_tokens[] = {
    "{",    "}",     "[",      "]",      "\"",        ",",         ":",        "null",
    "true", "1e308", "1e31",   "-0",     "\\u0000",   "\\ud800",   "\xff",     "\n",
    "\r\n", "NaN",   "9.9E37", "\"id\"", "\"value\"", "\"error\"", "\"done\"", "18446744073709551616"};

}  // namespace

TEST_CASE("the lines of a driver's conversation, bent at random, are taken whole or refused with a reason") {
  for (std::uint32_t step = 0; step < 4000; ++step) {
    const std::uint32_t seed = first_seed() + step;
    std::mt19937 random(seed);
    const auto below = [&](std::size_t limit) {
      return std::uniform_int_distribution<std::size_t>(0, limit - 1)(random);
    };
    std::string bytes;
    for (std::size_t count = 1 + below(3); count > 0; --count)
      bytes += std::string(driver_lines[below(std::size(driver_lines))]) + "\n";
    for (std::size_t changes = below(5); changes > 0; --changes) {
      const std::size_t at = below(bytes.size());
      const std::size_t length = std::min(bytes.size() - at, 1 + below(20));
      switch (below(4)) {
        case 0: bytes[at] = static_cast<char>(below(256)); break;
        case 1: bytes.insert(below(bytes.size()), bytes.substr(at, length)); break;
        case 2: bytes.insert(at, driver_tokens[below(std::size(driver_tokens))]); break;
        default: bytes.replace(at, length, driver_tokens[below(std::size(driver_tokens))]); break;
      }
    }
    const std::string complaint = complaint_about_driver_bytes(bytes);
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << seed << ": " << complaint);
  }
}
