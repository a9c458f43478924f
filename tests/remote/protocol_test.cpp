// What goes over the line, as docs/relay.md has it.
#include "remote/protocol.hpp"

#include <catch2/catch.hpp>

using namespace nightwell;
using namespace nightwell::remote;

namespace {

const std::string hash(64, 'a');
const std::string utc = "2026-03-01T21:14:05.000250Z";

JournalRequest journal_request(const std::string& line) {
  const auto request = parse_request(line);
  REQUIRE(request);
  return std::get<JournalRequest>(*request);
}

}  // namespace

TEST_CASE("the requests of the document") {
  CHECK(journal_request(R"({"follow":"night-20260301-211405","from":17})") ==
        JournalRequest{"night-20260301-211405", true, 17, {}, false});
  CHECK(journal_request(R"({"follow":""})") == JournalRequest{"", true, 0, {}, false});
  CHECK(journal_request(R"({"read":"a","from":3,"prev":")" + hash + R"(","plain":true})") ==
        JournalRequest{"a", false, 3, hash, true});
  const auto runs = parse_request(R"({"runs":true})");
  REQUIRE(runs);
  CHECK(std::holds_alternative<RunsRequest>(*runs));
  CHECK(parse_request(R"( {"runs" : true} )"));  // a person may type it
}

TEST_CASE("every other request is refused, and why is said") {
  const std::string long_run(64, 'a');
  const std::pair<std::string, std::string> bad[] = {
      {"", "not one JSON object"},
      {"follow", "not one JSON object"},
      {"[]", "a list"},
      {"{}", "one of \"follow\""},
      {R"({"runs":false})", "\"runs\""},
      {R"({"runs":true,"from":1})", "unknown key \"from\""},
      {R"({"follow":"a","runs":true})", "one of \"follow\""},
      {R"({"follow":"a","read":"a"})", "one of \"follow\""},
      {R"({"follow":7})", "\"follow\""},
      {R"({"follow":null})", "\"follow\""},
      {R"({"follow":"../a"})", "a run's id"},
      {R"({"follow":"-a"})", "a run's id"},
      {R"({"follow":"A"})", "a run's id"},
      {R"({"follow":"a/b"})", "a run's id"},
      {R"({"follow":"a\u0000"})", "a run's id"},
      {R"({"follow":")" + long_run + "\"}", "a run's id"},
      {R"({"follow":"a","from":-1})", "\"from\""},
      {R"({"follow":"a","from":1.0})", "\"from\""},
      {R"({"follow":"a","from":"1"})", "\"from\""},
      {R"({"follow":"a","from":1000000000000001})", "\"from\""},
      {R"({"follow":"a","from":99999999999999999999})", "\"from\""},
      {R"({"follow":"a","prev":")" + hash + "\"}", "beside a \"from\""},
      {R"({"follow":"a","from":0,"prev":")" + hash + "\"}", "beside a \"from\""},
      {R"({"follow":"a","from":1,"prev":"aa"})", "\"prev\""},
      {R"({"follow":"a","from":1,"prev":")" + std::string(64, 'A') + "\"}", "\"prev\""},
      {R"({"follow":"a","plain":1})", "\"plain\""},
      {R"({"follow":"a","from":1,"from":2})", "twice"},
      {R"({"follow":"a","stop":true})", "unknown key \"stop\""},
      {R"({"follow":"a","\u001b[2J":true})", "unknown key \"\\x1b"},
      {R"({"follow":{"a":1}})", "a list or an object"},
      {R"({"follow":"a"}{"follow":"a"})", "not one JSON object"},
      {std::string(longest_request + 1, ' '), "longer than 1 KiB"},
      {std::string(1000, '['), "a list"},
  };
  for (const auto& [line, why] : bad) {
    INFO(line);
    const auto request = parse_request(line);
    REQUIRE_FALSE(request);
    CHECK(request.error().code == Errc::bad_input);
    CHECK_THAT(request.error().detail, Catch::Contains(why));
  }
}

TEST_CASE("requests and the relay's lines come back as they were printed") {
  const Request requests[] = {JournalRequest{"a-1", true, 0, {}, false}, JournalRequest{"", false, 0, {}, true},
                              JournalRequest{std::string(63, 'z'), true, 1'000'000'000'000'000, hash, true},
                              RunsRequest{}};
  for (const auto& request : requests) {
    const std::string line = print(request);
    INFO(line);
    REQUIRE(parse_request(line));
    CHECK(*parse_request(line) == request);
    CHECK(line.size() <= longest_request);
  }
  const RelayLine lines[] = {Hello{"a", 3},
                             RunLine{"a", utc, 4, 5, true},
                             RunLine{"a", {}, 0, 0, false},
                             Head{7, hash, utc},
                             Idle{utc},
                             End{true},
                             ErrorLine{Refusal::changed, "it \"was\" cut\x1b\n"},
                             ErrorLine{Refusal::full, ""}};
  for (const auto& line : lines) {
    const std::string text = print(line);
    INFO(text);
    CHECK(is_relay_line(text));
    CHECK_FALSE(is_record(text));
    CHECK(text.find('\n') == std::string::npos);
    REQUIRE(parse_line(text));
    CHECK(*parse_line(text) == line);
  }
}

TEST_CASE("the relay's lines are spelt as the document has them") {
  CHECK(print(Hello{"a", 3}) == R"({"relay":"hello","format":"nightwell-relay/1","run":"a","from":3})");
  CHECK(print(RunLine{"a", {}, 4, 5, true}) ==
        R"({"relay":"run","run":"a","opened":null,"records":4,"bytes":5,"closed":true})");
  CHECK(print(Head{7, hash, utc}) == R"({"relay":"head","n":7,"hash":")" + hash + R"(","utc":")" + utc + "\"}");
  CHECK(print(Idle{utc}) == R"({"relay":"idle","utc":")" + utc + "\"}");
  CHECK(print(End{false}) == R"({"relay":"end","closed":false})");
  CHECK(print(ErrorLine{Refusal::no_such_run, "x"}) == R"({"relay":"error","code":"no_such_run","text":"x"})");
}

TEST_CASE("a line that no relay of this format sends is refused") {
  for (const std::string line :
       {R"({"relay":"other"})", R"({"relay":"hello","format":"nightwell-relay/2","run":"a","from":0})",
        R"({"relay":"end"})", R"({"relay":"idle","utc":"now"})", R"({"relay":"end","closed":true,"more":1})",
        R"({"relay":"error","code":"tired","text":""})", R"({"n":3})", "hello"}) {
    INFO(line);
    CHECK_FALSE(parse_line(line));
  }
}
