// The lines of the protocol: what is written is read back, and what is wrong is refused with a reason.
#include "program/protocol.hpp"

#include <catch2/catch.hpp>

#include "program/last_words.hpp"

namespace nightwell::program::test {

namespace {

std::string chomped(std::string line) {
  REQUIRE(line.back() == '\n');
  line.pop_back();
  REQUIRE(line.find('\n') == std::string::npos);
  return line;
}

Result<Answer> answer_to(const Ask& ask, const std::string& line) {
  return parse_answer(line, ask);
}

}  // namespace

TEST_CASE("greetings and requests come out as they went in") {
  SerialPort port;
  port.path = "/dev/serial/by-id/x";
  port.baud = 19200;
  port.parity = "even";
  const Hello hello{Role::heat_source, "bath", port, from_seconds(1.5), "Bath"};
  const auto same = parse_hello(chomped(to_line(hello)));
  REQUIRE(same);
  CHECK(same->role == Role::heat_source);
  CHECK(std::get<SerialPort>(same->port).baud == 19200);
  CHECK(std::get<SerialPort>(same->port).parity == "even");
  CHECK(same->reply == hello.reply);
  CHECK(same->identity == "Bath");

  const Request request{7, from_seconds(2.5), Read{{101, Quantity::voltage}}};
  CHECK(to_line(request) == "{\"id\":7,\"ask\":\"read\",\"channel\":101,\"measures\":\"voltage\",\"within_s\":2.5}\n");
  const auto read = parse_request(chomped(to_line(request)));
  REQUIRE(read);
  CHECK(std::get<Read>(read->ask).channel.address == 101);
  CHECK(std::holds_alternative<Unknown>(parse_request(R"({"id":1,"ask":"dance","within_s":1})")->ask));
}

TEST_CASE("an answer must have the kind of value that was asked for") {
  CHECK(answer_to(SetOutput{true}, R"({"id":1,"done":true})"));
  CHECK(!answer_to(SetOutput{true}, R"({"id":1,"done":false})"));
  CHECK(!answer_to(SetOutput{true}, R"({"id":1})"));
  CHECK(!answer_to(SetOutput{true}, R"({"id":1,"value":true})"));
  CHECK(std::get<bool>(*answer_to(ReadOutput(), R"({"id":1,"value":true})")->value));
  CHECK(!answer_to(ReadOutput(), R"({"id":1,"value":1})"));
  CHECK(std::get<double>(*answer_to(ReadTarget(), R"({"id":1,"value":35})")->value) == 35);
  CHECK(!answer_to(ReadTarget(), R"({"id":1,"value":"35"})"));
  CHECK(!answer_to(ReadTarget(), R"({"id":1,"value":1e31})"));
  CHECK(!answer_to(ReadTarget(), R"({"id":1,"value":1e999})"));
  CHECK(!answer_to(ReadTarget(), R"({"id":1,"value":35,"value":36})"));
  CHECK(!answer_to(ReadTarget(), R"({"id":1,"value":35,"error":{"code":"refused","detail":"x"}})"));
  CHECK(!answer_to(Read(), R"({"id":1,"value":35})"));  // a reading has its text
  CHECK(answer_to(Read(), R"({"id":1,"value":35,"text":"35","a later key":{"deep":[1]}})"));
  CHECK(!answer_to(Read(), R"({"id":1,"value":35,"text":"35","x":[[[[[[[[[[1]]]]]]]]]]})"));
  CHECK(!answer_to(Read(), "{\"id\":1,\"value\":35,\"text\":\"\xff\"}"));
  CHECK(!answer_to(Read(), R"([{"id":1}])"));
  CHECK(answer_to(Read(), R"({"id":1,"error":{"code":"overload","detail":"x"}})")->value.error().code ==
        Errc::overload);
  CHECK(!answer_to(Read(), R"({"id":1,"error":{"code":"storage","detail":"x"}})"));
  CHECK(!answered_id(R"({"id":0})"));
  CHECK(!answered_id(R"({"id":1.5})"));
  CHECK(!answered_id(R"({"id":-1})"));
  CHECK(!answered_id(R"({"id":18446744073709551615})"));
}

TEST_CASE("every answer that is written fits into a line") {
  Answer answer;
  answer.id = 1;
  instrument::Identity identity;
  identity.text = std::string(5000, '\x01');
  identity.old_errors.assign(100, std::string(500, '\x7f'));
  answer.value = Value(identity);
  CHECK(to_line(answer).size() <= longest_line + 1);
  CHECK(answer_to(Identify(), chomped(to_line(answer))));
  answer.value = Error{Errc::storage, "doing", std::string(9000, '\x02'), "where"};
  const auto read = answer_to(Read(), chomped(to_line(answer)));
  REQUIRE(read);
  CHECK(read->value.error().code == Errc::unexpected);
}

TEST_CASE("lines are cut whatever the pieces, and one that is too long ends them") {
  LineCutter cutter;
  cutter.add("{\"a");
  CHECK(!cutter.next());
  cutter.add("\":1}\r\n{}\n");
  CHECK(cutter.next() == "{\"a\":1}");
  CHECK(cutter.next() == "{}");
  cutter.add(std::string(longest_line, 'x'));
  CHECK(!cutter.next());
  CHECK(!cutter.too_long());
  cutter.add("x");
  CHECK(!cutter.next());
  CHECK(cutter.too_long());
  cutter.add("\n{}\n");
  CHECK(!cutter.next());
}

TEST_CASE("standard error is passed on in measure") {
  LastWords words;
  const LastWords::Moment begin{};
  std::size_t passed = 0;
  for (int i = 0; i < 100; ++i) passed += words.add("a line\n", begin + std::chrono::seconds(100)).size();
  CHECK(passed == 20);
  const auto later = words.add("another\x1b\n", begin + std::chrono::seconds(111));
  REQUIRE(later.size() == 2);
  CHECK(later[0] == "(80 more lines were dropped)");
  CHECK(later[1] == "another\\x1b");
  CHECK(words.add("the end, without a line feed", begin + std::chrono::seconds(112)).empty());
  CHECK(words.last() == "the end, without a line feed");
}

}  // namespace nightwell::program::test
