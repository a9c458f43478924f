// Dialect files, templates and lines, bent at random: nothing crashes, and every answer is whole. Repeatable: the seed is
// fixed, and taken from NIGHTWELL_SEED where that is set.
#include <catch2/catch.hpp>
#include <random>
#include <string_view>

#include "fuzz/dialect_property.hpp"
#include "fuzz/repeatable.hpp"

using namespace nightwell::tests;

namespace {

constexpr std::string_view dialect_tokens[] = {
    "{",         "}",      "{{",      "}}",      "{n}",  "{i}",   "{w}",   "{x}",  "{u}",
    "{s}",       "{c}",    "{t}",     "\\x00",   "\\",   "\"",    ",",     ":",    "[",
    "]",         "1e308",  "9.9E37",  "9.91E37", "-0,5", "1.2.3", "query", "heat", "CR",
    "none",      "NaN",    "OPEN",    "mV",      "101",  "*",     "\n",    "\r",   "\xC2\xB0",
    "\xff\x00z", "number", "channel", "string",  "A*41", "H1",    "null",  "true", "1"};

class DialectMutator {
 public:
  explicit DialectMutator(std::uint32_t seed) : random_(seed) {}

  std::size_t below(std::size_t limit) { return std::uniform_int_distribution<std::size_t>(0, limit - 1)(random_); }

  void bend(std::string& text, std::size_t changes) {
    for (std::size_t i = 0; i < changes && !text.empty(); ++i) {
      const std::size_t at = below(text.size());
      const std::size_t length = std::min(text.size() - at, 1 + below(20));
      switch (below(5)) {
        case 0: text[at] = static_cast<char>(below(256)); break;
        case 1: text.erase(at, length); break;
        case 2: text.insert(below(text.size()), text.substr(at, length)); break;
        case 3: text.insert(at, dialect_tokens[below(std::size(dialect_tokens))]); break;
        case 4: text.replace(at, length, dialect_tokens[below(std::size(dialect_tokens))]); break;
      }
    }
  }

  std::string made_of_tokens(std::size_t most) {
    std::string out;
    for (std::size_t i = 0, count = below(most); i < count; ++i)
      out += dialect_tokens[below(std::size(dialect_tokens))];
    return out;
  }

 private:
  std::mt19937 random_;
};

}  // namespace

TEST_CASE("dialects bent at random make a dialect that can be spoken or told faults") {
  const std::string shipped[] = {shipped_dialect("terse-bath"), shipped_dialect("chatty-scanner"),
                                 shipped_dialect("register-furnace"), shipped_dialect("polled-scanner")};
  const std::string lines[] = {"T+020.50*62", "101: 107,7935 Ohm", "I SEEDBANK*00", "state 1"};
  for (std::uint32_t step = 0; step < 800; ++step) {
    const std::uint32_t seed = first_seed() + step;
    INFO("NIGHTWELL_SEED=" << seed);
    DialectMutator mutator(seed);
    std::string text = shipped[mutator.below(4)];
    mutator.bend(text, mutator.below(4));
    std::string line = lines[mutator.below(4)];
    mutator.bend(line, mutator.below(3));
    const std::string complaint = complaint_about_dialect(text, line);
    REQUIRE(complaint.empty());
  }
}

TEST_CASE("templates and lines made at random take parts of the line and finite numbers") {
  for (std::uint32_t step = 0; step < 20'000; ++step) {
    const std::uint32_t seed = first_seed() + step;
    DialectMutator mutator(seed);
    const std::string pattern = mutator.made_of_tokens(6);
    const std::string line = mutator.made_of_tokens(8);
    const std::string complaint = complaint_about_match(pattern, line);
    if (!complaint.empty()) FAIL("NIGHTWELL_SEED=" << seed << ": " << complaint);
  }
}
