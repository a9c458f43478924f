// Requests bent at random: each is refused with a reason, or is a request that prints and parses back to itself; and whatever it
// names is safe to make a path of. Repeatable: the seed is fixed, or NIGHTWELL_SEED.
#include <catch2/catch.hpp>
#include <charconv>
#include <cstdlib>
#include <random>
#include <string>
#include <string_view>

#include "remote/protocol.hpp"

using namespace nightwell;
using namespace nightwell::remote;

namespace {

constexpr int steps = 20000;

constexpr std::string_view seeds[] = {
    R"({"follow":"night-20260301-211405","from":17})", R"({"read":"","from":0,"plain":true})", R"({"runs":true})",
    R"({"follow":"a","from":1,"prev":"0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"})"};
constexpr std::string_view tokens[] = {"{",
                                       "}",
                                       "[",
                                       "\"",
                                       ",",
                                       ":",
                                       "../",
                                       "\\u0000",
                                       "\\ud800",
                                       "null",
                                       "1e9",
                                       "-1",
                                       "\xff",
                                       "\x80",
                                       "\"from\":",
                                       "true",
                                       "\n",
                                       "/",
                                       "0",
                                       " ",
                                       "\"follow\"",
                                       "\\\"",
                                       "18446744073709551616"};

std::uint32_t seed() {
  std::uint32_t out = 20261126;
  if (const char* given = std::getenv("NIGHTWELL_SEED")) {
    const std::string_view text = given;
    std::from_chars(text.data(), text.data() + text.size(), out);
  }
  return out;
}

// A request's name is one that a path may be made of, and the rest within its bounds.
std::string complaint_about(const std::string& line) {
  const auto request = parse_request(line);
  if (!request) return request.error().detail.empty() ? "refused without a reason" : "";
  if (const auto* journal = std::get_if<JournalRequest>(&*request)) {
    if (journal->run.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") != std::string::npos)
      return "a run's id that could be a path";
    if (journal->prev && (journal->from == 0 || journal->prev->size() != 64)) return "a prev that means nothing";
  }
  const auto again = parse_request(print(*request));
  return again && *again == *request ? "" : "it does not come back as it was";
}

}  // namespace

TEST_CASE("requests bent at random are refused, or mean what they print") {
  std::mt19937 random(seed());
  const auto below = [&](std::size_t limit) {
    return std::uniform_int_distribution<std::size_t>(0, limit - 1)(random);
  };
  int taken = 0;
  for (int step = 0; step < steps; ++step) {
    std::string line(seeds[below(std::size(seeds))]);
    for (std::size_t change = 0, changes = below(4); change < changes && !line.empty(); ++change) {
      const std::size_t at = below(line.size());
      switch (below(5)) {
        case 0: line[at] = static_cast<char>(below(256)); break;
        case 1: line.erase(at, 1 + below(10)); break;
        case 2: line.insert(at, tokens[below(std::size(tokens))]); break;
        case 3: line.insert(below(line.size()), line.substr(at, 1 + below(30))); break;
        default: line.resize(at); break;
      }
    }
    taken += parse_request(line) ? 1 : 0;
    const auto complaint = complaint_about(line);
    if (complaint.empty()) continue;
    INFO("NIGHTWELL_SEED=" << seed() << ", step " << step << ": " << line);
    REQUIRE(complaint.empty());
  }
  CHECK(taken > steps / 10);  // the loop reaches both answers
  CHECK(taken < steps);
}
