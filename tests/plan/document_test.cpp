// JSON that is none, and JSON that could be read in two ways.
#include "plan/document.hpp"

#include <catch2/catch.hpp>

#include "plan/example.hpp"

using namespace nightwell;
using namespace nightwell::tests;

namespace {

std::vector<plan::Fault> parse_faults(const std::string& text) {
  plan::FaultList faults(100);
  (void)plan::parse_document({"file.json", text, ""}, 16, faults);
  return std::move(faults).take();
}

plan::Fault only_fault(const std::string& text) {
  const auto faults = parse_faults(text);
  INFO(text);
  REQUIRE(faults.size() == 1);
  return faults[0];
}

std::string nested(int levels) {
  std::string out;
  for (int i = 0; i < levels; ++i) out += i % 2 == 0 ? "[" : "{\"a\":";
  out += "1";
  for (int i = levels; i-- > 0;) out += i % 2 == 0 ? "]" : "}";
  return out;
}

}  // namespace

TEST_CASE("the mistakes that people make in JSON are named") {
  struct Given {
    const char *text, *hint;
  };
  for (const auto& given : {Given{"{\"a\": 1,\n}", "the comma before it must go"},
                            {"[1, 2, ]", "the comma before it must go"},
                            {"// mine\n{}", "JSON has no comments"},
                            {"{\"a\": 1 # mine\n}", "JSON has no comments"},
                            {"{'a': 1}", "JSON has double quotes only"},
                            {"{\"u95_k\": 0,012}", "the decimal sign is a point"},
                            {"{\"u95_k\": 0,5}", "the decimal sign is a point"},
                            {"{\"u95_k\": 12,515\n}", "the decimal sign is a point"}}) {
    CAPTURE(given.text);
    CHECK(only_fault(given.text).message.find(given.hint) != std::string::npos);
  }
}

TEST_CASE("a syntax error has a line and a column, in characters") {
  struct Given {
    std::string text;
    std::size_t line, column;
  };
  const std::vector<Given> cases = {
      {"{a}", 1, 2}, {"{\n  \"a\": 1,\n}", 3, 1}, {"{\n  \"°C\": x\n}", 2, 9}, {"[1, 2,, 3]", 1, 7}, {"{} {}", 1, 4},
  };
  for (const auto& given : cases) {
    const auto fault = only_fault(given.text);
    CHECK(fault.line == given.line);
    CHECK(fault.column == given.column);
    CHECK(fault.found == "no JSON");
    CHECK(fault.pointer.empty());
  }
  CHECK_THAT(plan::text(only_fault("{\n  \"a\": 1,\n}")),
             Catch::StartsWith("file.json: line 3, column 1: found no JSON, "));
}

TEST_CASE("what looks like JSON and is none") {
  for (const char* text : {"", "   ", "{", "[1", "{\"a\": 01}", "{\"a\": NaN}", "{\"a\": 1e999}", "{'a': 1}",
                           "{\"a\": 1} // x", "{\"a\": \"\xb0\"}", "\"tab\there\"", "nul", "[1 2]"}) {
    const auto fault = only_fault(text);
    CHECK(fault.line == 1);
  }
}

TEST_CASE("a key that stands twice is found at any depth, and the first one counts") {
  const auto fault = only_fault(R"({"a": [{"b": 1}, {"b": 2, "c": {"x": 1, "x": {"y": [1]}}}]})");
  CHECK(fault.pointer == "/a/1/c/x");
  CHECK_THAT(fault.found, Catch::Contains("\"x\" a second time"));
  CHECK(parse_faults(R"({"a": 1, "a": 2, "b": {"a": 1}})").size() == 1);
  // Two spellings of one key are one key.
  CHECK(parse_faults(R"({"a": 1, "\u0061": 2})").size() == 1);

  plan::FaultList faults(10);
  const auto document =
      plan::parse_document({"f", R"({"a": 1, "a": {"deep": [1, 2, {"a": 3}]}, "b": 4})", ""}, 16, faults);
  REQUIRE(document);
  CHECK(*document == nlohmann::json::parse(R"({"a": 1, "b": 4})"));
}

TEST_CASE("a file with a key twice makes no plan") {
  auto files = example().files();
  const auto at = files.profile.text.find("\"band_k\"");
  files.profile.text.insert(at, "\"band_k\": 0.1, ");
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK_THAT(faults[0].found, Catch::Contains("\"band_k\" a second time"));
}

TEST_CASE("nesting goes sixteen deep and no further") {
  CHECK(parse_faults(nested(16)).empty());
  const auto fault = only_fault(nested(17));
  CHECK_THAT(fault.found, Catch::Contains("more than 16 levels"));
  CHECK(parse_faults(std::string(1 << 20, '[')).size() == 1);
}

TEST_CASE("a file of a megabyte is read, a larger one is not") {
  std::string text = "[\"" + std::string(plan::largest_file - 4, 'x') + "\"]";
  CHECK(parse_faults(text).empty());
  text.insert(2, "x");
  CHECK_THAT(only_fault(text).found, Catch::Contains("1048577 bytes"));
}

TEST_CASE("a file of faults is listed as far as anybody would read") {
  auto files = example();
  for (int i = 0; i < 5000; ++i) files.profile["unknown " + std::to_string(i)] = i;
  const auto faults = faults_of(files);
  CHECK(faults.size() == plan::most_faults + 1);
  CHECK(faults.back().found == "more faults");
}
