// The shipped files, bent at random: nothing crashes, nothing hangs, and every answer is a whole plan or a told fault.
//
// Repeatable: the seed is fixed, and taken from NIGHTWELL_SEED where that is set. A failure names the step's seed.
#include <catch2/catch.hpp>
#include <random>
#include <string_view>
#include <vector>

#include "fuzz/plan_property.hpp"
#include "fuzz/repeatable.hpp"

using namespace nightwell;
using namespace nightwell::tests;

namespace {

constexpr int steps = 2000;

// What a file may be made to say at any place; a byte at a time would take long to find these.
constexpr std::string_view tokens[] = {"{",
                                       "}",
                                       "[",
                                       "]",
                                       ",",
                                       ":",
                                       "\"",
                                       "null",
                                       "true",
                                       "-1",
                                       "0",
                                       "1e308",
                                       "1e400",
                                       "-0.0",
                                       "1e-400",
                                       "NaN",
                                       "\\u0000",
                                       "\\ud800",
                                       "\x80",
                                       "\xff\xfe",
                                       "\x1b[2J",
                                       "600",
                                       "2.5",
                                       "\"../\"",
                                       "{}",
                                       "[[[[[[[[[[[[",
                                       "\n\n",
                                       "\"\":1,",
                                       "99999999999999999999"};

class Mutator {
 public:
  explicit Mutator(std::uint32_t seed) : random_(seed) {}

  // One to four changes in one to three of the files.
  void bend(plan::InputFiles& files) {
    std::vector<plan::FileText*> all = {&files.profile, &files.bench, &files.job};
    for (auto& [path, card] : files.cards) all.push_back(&card);
    for (std::size_t file = 0, count = 1 + below(3); file < count; ++file) {
      std::string& text = all[below(all.size())]->text;
      for (std::size_t change = 0, changes = 1 + below(4); change < changes; ++change) bend(text);
    }
  }

 private:
  std::size_t below(std::size_t limit) { return std::uniform_int_distribution<std::size_t>(0, limit - 1)(random_); }

  void bend(std::string& text) {
    if (text.empty()) return;
    const std::size_t at = below(text.size());
    const std::size_t length = std::min(text.size() - at, 1 + below(40));
    switch (below(7)) {
      case 0: text[at] = static_cast<char>(below(256)); return;
      case 1: text.erase(at, length); return;
      case 2: text.insert(below(text.size()), text.substr(at, length)); return;
      case 3: text.insert(at, tokens[below(std::size(tokens))]); return;
      case 4: replace_number(text, at); return;
      case 5: exchange_words(text, at); return;
      case 6: text.resize(at); return;
    }
  }

  // Still JSON, with another number: reaches the checks behind the grammar.
  void replace_number(std::string& text, std::size_t from) {
    const std::size_t at = text.find_first_of("0123456789", from);
    if (at == std::string::npos) return;
    const std::size_t end = text.find_first_not_of("0123456789.eE+-", at);
    static constexpr std::string_view numbers[] = {"0",   "1",   "-1",    "5",       "60",
                                                   "600", "1e6", "0.001", "-273.16", "1e308"};
    text.replace(at, (end == std::string::npos ? text.size() : end) - at, numbers[below(std::size(numbers))]);
  }

  // Still JSON, with two texts in each other's place: keys, names, words.
  void exchange_words(std::string& text, std::size_t from) {
    const auto word = [&text](std::size_t start) -> std::pair<std::size_t, std::size_t> {
      const std::size_t open = text.find('"', start);
      const std::size_t close = open == std::string::npos ? open : text.find('"', open + 1);
      if (close == std::string::npos) return {0, 0};
      return {open, close + 1 - open};
    };
    const auto [first, first_length] = word(from);
    if (first_length == 0) return;
    const auto [second, second_length] = word(first + first_length);
    if (second_length == 0) return;
    const std::string one = text.substr(first, first_length);
    const std::string other = text.substr(second, second_length);
    text.replace(second, second_length, one);
    text.replace(first, first_length, other);
  }

  std::mt19937 random_;
};

}  // namespace

TEST_CASE("the shipped files are a plan") {
  const auto files = shipped_files();
  REQUIRE(files.profile.unread.empty());
  CHECK(complaint_about(files).empty());
}

TEST_CASE("files bent at random make a whole plan or told faults") {
  const auto shipped = shipped_files();
  for (int step = 0; step < steps; ++step) {
    const std::uint32_t seed = first_seed() + static_cast<std::uint32_t>(step);
    INFO("NIGHTWELL_SEED=" << seed);
    auto files = shipped;
    Mutator(seed).bend(files);
    const std::string complaint = complaint_about(files);
    REQUIRE(complaint.empty());
  }
}

TEST_CASE("a file that ends anywhere makes no plan") {
  const auto shipped = shipped_files();
  for (std::size_t length = 0; length + 2 < shipped.profile.text.size(); ++length) {
    auto files = shipped;
    files.profile.text.resize(length);
    INFO("the first " << length << " bytes");
    plan::LoadOptions options;
    options.today = "2026-11-25";
    REQUIRE(std::holds_alternative<std::vector<plan::Fault>>(plan::load(files, options)));
  }
}

TEST_CASE("files made to be slow to read are refused like any other") {
  const std::size_t room = plan::largest_file - 64;
  const auto repeated = [&](const std::string& part) {
    std::string out;
    while (out.size() + part.size() < room) out += part;
    return out;
  };
  std::string many_keys = "{\"format\":\"nightwell-profile/1\"";
  for (int key = 0; many_keys.size() < room; ++key) many_keys += ",\"k" + std::to_string(key) + "\":1";
  const std::string texts[] = {repeated("["),
                               repeated("{\"a\":"),
                               "[" + repeated("0,") + "0]",
                               many_keys + "}",
                               "{\"format\":\"nightwell-profile/1\",\"" + repeated("k") + "\":1}",
                               "{\"format\":\"nightwell-profile/1\",\"profile\":\"" + repeated("\\u0007") + "\"}",
                               "{\"format\":\"nightwell-profile/1\"" + repeated(",\"a\":1") + "}",
                               repeated("\n")};
  for (const auto& text : texts) {
    auto files = shipped_files();
    files.profile.text = text;
    INFO(text.substr(0, 60));
    CHECK(complaint_about(files).empty());
  }
}
