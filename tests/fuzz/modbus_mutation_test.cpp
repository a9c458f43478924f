// Conversations and frames of Modbus made at random: nothing crashes, nothing heats unproved, "off" goes out. Repeatable:
// the seed is fixed, and taken from NIGHTWELL_SEED where that is set.
#include <catch2/catch.hpp>
#include <random>
#include <string>

#include "dialect/checksum.hpp"
#include "fuzz/modbus_property.hpp"
#include "fuzz/repeatable.hpp"

using namespace nightwell::tests;

namespace {

std::string random_bytes(std::mt19937& random, std::size_t most) {
  std::string out(std::uniform_int_distribution<std::size_t>(0, most)(random), '\0');
  for (char& byte : out) byte = static_cast<char>(std::uniform_int_distribution<int>(0, 255)(random));
  return out;
}

// Mostly true replies, so that the conversation gets somewhere.
std::string random_script(std::mt19937& random) {
  std::string out(1, static_cast<char>(random()));
  for (int i = 0; i < 60; ++i) {
    const bool odd = std::uniform_int_distribution<int>(0, 5)(random) == 0;
    out += static_cast<char>(std::uniform_int_distribution<int>(0, odd ? 255 : 20)(random));
    out += static_cast<char>(odd ? std::uniform_int_distribution<int>(1, 5)(random) : 0);
    if (odd) out += random_bytes(random, 20);
  }
  return out;
}

}  // namespace

TEST_CASE("Conversations at random heat only what is proved, and switch it off") {
  for (std::uint32_t step = 0; step < 250; ++step) {
    std::mt19937 random(first_seed() + step);
    const std::string complaint = complaint_about_conversation(random_script(random));
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << first_seed() + step << ": " << complaint);
  }
}

TEST_CASE("Frames at random, with and without a right checksum, are replies only where they say so") {
  for (std::uint32_t step = 0; step < 3000; ++step) {
    std::mt19937 random(first_seed() + step);
    std::string body = "\x11" + random_bytes(random, 12);
    if (step % 2 == 0) {
      const unsigned check = nightwell::dialect::crc16_modbus(body);
      body += {static_cast<char>(check & 0xFFU), static_cast<char>(check >> 8U)};
    }
    const std::string complaint = complaint_about_frame(random_bytes(random, 3) + body);
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << first_seed() + step << ": " << complaint);
  }
}

TEST_CASE("what the fuzzers found of Modbus stays right") {
  check_corpus("modbus", complaint_about_modbus_input);
}
