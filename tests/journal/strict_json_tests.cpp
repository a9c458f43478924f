// The grammar against a list of texts that must and must not pass, and against nlohmann's parser on random
// changes.

#include <cstdlib>
#include <random>

#include "journal/strict_json.hpp"
#include "journal_fixture.hpp"

using namespace nightwell::journal;
using nightwell::journal::fixture::Folder;
using Json = nlohmann::ordered_json;

namespace {

bool grammar_takes(std::string_view text) {
  return !strict_json::check(text);
}
bool parser_takes(std::string_view text) {
  Json out;
  return !strict_json::parse(text, out);
}

std::string nested(int depth) {
  return std::string(static_cast<std::size_t>(depth), '[') + std::string(static_cast<std::size_t>(depth), ']');
}

unsigned seed_of_this_run() {
  if (const char* given = std::getenv("NIGHTWELL_SEED")) return static_cast<unsigned>(std::strtoul(given, nullptr, 10));
  return 20260301;
}

}  // namespace

TEST_CASE("texts that both readers take") {
  for (const char* text : {"{}",
                           "[]",
                           "0",
                           "-1",
                           "1.5",
                           "1e5",
                           "1.5E-7",
                           "-0.0",
                           "true",
                           "false",
                           "null",
                           R"("")",
                           R"({"a":[1,{"b":null}]})",
                           R"("\u00b0\ud83d\ude00\"\\\u000a\u007f")",
                           "18446744073709551615",
                           "-9223372036854775808",
                           "61.500000",
                           "1.7976931348623157e308",
                           "5e-324",
                           "0.1000"}) {
    INFO(text);
    CHECK(grammar_takes(text));
    CHECK(parser_takes(text));
  }
  CHECK(grammar_takes(nested(16)));
}

TEST_CASE("texts that neither reader takes") {
  for (const char* text : {"",
                           " ",
                           "{",
                           "}",
                           "[",
                           "[1,]",
                           "{,}",
                           R"({"a"})",
                           R"({"a":})",
                           R"({"a":1,})",
                           R"({a:1})",
                           "01",
                           "-",
                           "1.",
                           ".5",
                           "1e",
                           "+1",
                           "NaN",
                           "Infinity",
                           "-Infinity",
                           "nul",
                           "truefalse",
                           "1 ",
                           " 1",
                           R"({"a": 1})",
                           "\"a",
                           "\"\\",
                           "\"\\x\"",
                           "\"\\u12\"",
                           "\"\\n\"",
                           "\"\\t\"",
                           "\"\\/\"",
                           "\"\\u00E9\"",
                           "\"\\u0041\"",
                           "\"\\u0022\"",
                           "\"\\u005c\"",
                           "\"\\u007e\"",
                           "\"\\ud800\"",
                           "\"\\udc00\"",
                           "\"\\ud800\\u0041\"",
                           "\"\t\"",
                           "\"\x7f\"",
                           "\"\xc2\xb0\"",
                           "'a'",
                           "[1 2]",
                           "{}{}",
                           "/**/1"}) {
    INFO(text);
    CHECK_FALSE(grammar_takes(text));
    CHECK_FALSE(parser_takes(text));
  }
  CHECK_FALSE(grammar_takes(nested(17)));
  CHECK_FALSE(parser_takes(nested(17)));
  CHECK_FALSE(grammar_takes(std::string("\"a\0b\"", 5)));
}

TEST_CASE("what only read() refuses: the same key twice, and numbers that do not come back") {
  for (const char* text :
       {R"({"a":1,"a":2})", R"({"x":{"a":1,"b":2,"a":3}})", "1e999", "-1e999", "1e-999", "100000000000000000000000001",
        "0.1000000000000000055511151231257827", "18446744073709551617"}) {
    INFO(text);
    CHECK(grammar_takes(text));
    CHECK_FALSE(parser_takes(text));
  }
  std::string many = "{";
  for (int i = 0; i < 40; ++i) many += "\"k" + std::to_string(i) + "\":0,";
  CHECK(parser_takes(many + "\"k40\":0}"));
  CHECK_FALSE(parser_takes(many + "\"k7\":0}"));
}

TEST_CASE("a fault names the byte") {
  CHECK(strict_json::check(R"({"a":1,"b":x})")->at == 11);
  CHECK(strict_json::check("\"ab\x1b[2J\"")->at == 3);
}

TEST_CASE("the parser builds what nlohmann's parser builds, and never takes what that refuses") {
  const std::string seed_text =
      R"({"n":12,"utc":"x","raw":[100.25,-0.5,null,1e-7,[],{}],"faults":{"3":{"code":"open_sensor","text":"\u0007\ud83d\ude00"}},"ok":[true,false]})";
  const unsigned seed = seed_of_this_run();
  INFO("NIGHTWELL_SEED=" << seed);
  std::mt19937 random(seed);
  const std::string letters = R"({}[]:,"\0123456789.eE+-truefalsn ud)";
  int taken = 0;
  for (int round = 0; round < 20000; ++round) {
    std::string text = seed_text;
    for (auto changes = random() % 3; changes > 0; --changes) {
      const std::size_t at = random() % text.size();
      switch (random() % 3) {
        case 0: text[at] = letters[random() % letters.size()]; break;
        case 1: text.erase(at, 1 + random() % 3); break;
        default: text.insert(at, 1, letters[random() % letters.size()]);
      }
    }
    Json ours;
    const bool take = !strict_json::parse(text, ours);
    if (take && !grammar_takes(text)) FAIL("parse takes what check refuses: " + text);
    if (!take) continue;
    ++taken;
    const Json theirs = Json::parse(text, nullptr, false);
    if (theirs.is_discarded() || theirs != ours) FAIL("not what nlohmann reads: " + text);
  }
  CHECK(taken > 1000);
}
