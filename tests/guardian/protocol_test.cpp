// The lines between daemon and guardian: what is written is read back, what is wrong is refused with the key's name.
#include "guardian/protocol.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "guardian/text.hpp"
#include "night.hpp"

using namespace nightwell;
using namespace nightwell::guardian;

namespace {

Setup a_setup(Port port) {
  Setup setup;
  setup.connection.name = "bath";
  setup.connection.driver = "scpi-source";
  setup.connection.port = std::move(port);
  setup.connection.reply = from_seconds(1.5);
  setup.connection.identity = "cold store";
  setup.connection.dialect = "{\"format\":\"nightwell-dialect/1\"}";
  setup.connection.program = {"bath.py", "/opt/drivers/bath.py", {"--slow", "\xC2\xB0"}, std::string(64, 'a')};
  setup.connection.wire_log = "/var/lib/runs/wire/bath.log";
  setup.limits = guardian::test::cold_store_limits();
  setup.speed = 60;
  setup.log = "/var/log/guardian-bath.log";
  return setup;
}

std::string without_end(std::string line) {
  REQUIRE(!line.empty());
  REQUIRE(line.back() == '\n');
  line.pop_back();
  REQUIRE(line.find('\n') == std::string::npos);
  return line;
}

std::string again(const Request& request) {
  const auto read = parse_request(without_end(to_line(request)));
  REQUIRE(read.ok());
  return to_line(*read);
}
std::string again(const Said& said) {
  const auto read = parse_said(without_end(to_line(said)));
  REQUIRE(read.ok());
  return to_line(*read);
}

}  // namespace

TEST_CASE("Requests and reports come back as they went", "[protocol]") {
  SerialPort serial;
  serial.path = "/dev/serial/by-id/a \"quoted\" name";
  serial.parity = "even";
  serial.dtr = "off";
  TcpPort tcp;
  tcp.host = "192.0.2.7";
  for (const Port& port : {Port(serial), Port(tcp), Port(PtyPort{"/run/sim/bath"})}) {
    const Request setup = a_setup(port);
    CHECK(again(setup) == to_line(setup));
  }
  for (const Request& request : {Request(LeaseRequested{0.1 + 0.2, true, 130, from_seconds(30)}),
                                 Request(ParkRequested{"50 \xC2\xB0\x43\n\x1b[2J"})})
    CHECK(again(request) == to_line(request));
  const Status status{80, 79.123456789012345, true, 12.5};
  for (const Said& said :
       {Said(status), Said(Accepted{-40, false, 30}), Said(Refused{"no"}), Said(Parked{"stale", true, "x"}),
        Said(Fault{Error{Errc::port_gone, "a", "b", "c"}}), Said(Opened{"id\x01", status})})
    CHECK(again(said) == to_line(said));
  const auto read = parse_request(without_end(to_line(Request(a_setup(PtyPort{"x"})))));
  const auto& setup = std::get<Setup>(*read);
  CHECK(setup.connection.reply == from_seconds(1.5));
  CHECK(setup.connection.identity == "cold store");
  CHECK(setup.connection.program == a_setup(PtyPort{"x"}).connection.program);
  CHECK(setup.limits.stale == from_seconds(12));
  CHECK(setup.limits.safe_c == 20);
  CHECK(setup.speed == 60);
}

TEST_CASE("Bytes that are not UTF-8 do not stop a report", "[protocol]") {
  const std::string line = to_line(Said(Opened{"bath \xB0\xFF", {}}));
  CHECK(parse_said(without_end(line)).ok());
}

TEST_CASE("What is missing, of another type or another version is refused by name", "[protocol]") {
  struct Case {
    const char* line;
    const char* names;
  };
  const Case cases[] = {
      {"", "JSON"},
      {"garbage", "JSON"},
      {"[]", "object"},
      {"7", "object"},
      {R"({"ask":"park","cause":"x"})", "\"v\""},
      {R"({"v":2,"ask":"park","cause":"x"})", "\"v\""},
      {R"({"v":"1","ask":"park","cause":"x"})", "\"v\""},
      {R"({"v":1})", "\"ask\""},
      {R"({"v":1,"ask":"heat"})", "\"ask\""},
      {R"({"v":1,"ask":"park"})", "\"cause\""},
      {R"({"v":1,"ask":"park","cause":7})", "\"cause\""},
      {R"({"v":1,"ask":"lease","output":true,"highest_c":130,"lease_s":30})", "\"target_c\""},
      {R"({"v":1,"ask":"lease","target_c":null,"output":true,"highest_c":130,"lease_s":30})", "\"target_c\""},
      {R"({"v":1,"ask":"lease","target_c":"80","output":true,"highest_c":130,"lease_s":30})", "\"target_c\""},
      {R"({"v":1,"ask":"lease","target_c":80,"output":1,"highest_c":130,"lease_s":30})", "\"output\""},
      {R"({"v":1,"ask":"lease","target_c":80,"output":true,"lease_s":30})", "\"highest_c\""},
      {R"({"v":1,"ask":"lease","target_c":80,"output":true,"highest_c":130})", "\"lease_s\""},
      {R"({"v":1,"ask":"lease","target_c":80,"output":true,"highest_c":130,"lease_s":1e300})", "\"lease_s\""},
      {R"({"v":1,"ask":"settings"})", "\"connection\""}};
  for (const Case& c : cases) {
    INFO(c.line);
    const auto read = parse_request(c.line);
    REQUIRE_FALSE(read.ok());
    CHECK(read.error().code == Errc::bad_input);
    CHECK(read.error().text().find(c.names) != std::string::npos);
  }
}

TEST_CASE("Settings: each key is needed", "[protocol]") {
  const std::string whole = without_end(to_line(Request(a_setup(TcpPort{"localhost", 5025}))));
  REQUIRE(parse_request(whole).ok());
  for (const char* key : {"connection",
                          "name",
                          "driver",
                          "port",
                          "type",
                          "host",
                          "reply_s",
                          "identity",
                          "limits",
                          "lowest_c",
                          "highest_c",
                          "safe_c",
                          "absolute_highest_c",
                          "lease_s",
                          "poll_s",
                          "stale_s",
                          "heating_window_s",
                          "heating_gain_k",
                          "readback_tolerance_k",
                          "speed",
                          "log"}) {
    INFO(key);
    std::string broken = whole;
    const std::string quoted = "\"" + std::string(key) + "\"";
    REQUIRE(broken.find(quoted) != std::string::npos);
    broken.replace(broken.find(quoted), quoted.size(), "\"other\"");
    CHECK_FALSE(parse_request(broken).ok());
  }
}

TEST_CASE("A report with an unknown word is refused", "[protocol]") {
  CHECK_FALSE(parse_said(R"({"v":1,"say":"hello"})").ok());
  CHECK_FALSE(parse_said(R"({"v":1,"say":"fault","code":"boredom","doing":"","detail":"","where":""})").ok());
  CHECK_FALSE(parse_said(R"({"v":1,"say":"parked","cause":"x","confirmed":"yes","text":""})").ok());
}

TEST_CASE("Random bytes never parse and never harm", "[protocol]") {
  std::mt19937 random(7);
  const std::string whole = without_end(to_line(Request(LeaseRequested{80, true, 130, from_seconds(30)})));
  for (int i = 0; i < 20000; ++i) {
    std::string line = whole;
    for (int n = 0; n < 3; ++n) line[random() % line.size()] = static_cast<char>(random());
    line.resize(random() % (line.size() + 1));
    if (line.size() < whole.size()) {
      CHECK_FALSE(parse_request(line).ok());
    } else {
      static_cast<void>(parse_request(line));
    }
  }
  CHECK_FALSE(parse_request(std::string(longest_line, '[')).ok());
}

TEST_CASE("Lines are cut from any pieces, and stay bounded", "[protocol]") {
  LineBuffer lines;
  SECTION("byte by byte") {
    for (const char c : std::string("one\ntwo\n")) lines.add(std::string(1, c));
    CHECK(lines.next()->text == "one");
    CHECK(lines.next()->text == "two");
    CHECK_FALSE(lines.next());
  }
  SECTION("several at once, an empty one, an unfinished one") {
    lines.add("one\n\ntw");
    CHECK(lines.next()->text == "one");
    CHECK(lines.next()->text.empty());
    CHECK_FALSE(lines.next());
    lines.add("o\n");
    CHECK(lines.next()->text == "two");
  }
  SECTION("the longest line passes, one byte more is marked, and the next is whole") {
    lines.add(std::string(longest_line, 'a') + "\n");
    lines.add(std::string(longest_line + 1, 'b') + "\n" + "next\n");
    const auto longest = lines.next();
    CHECK(longest->text.size() == longest_line);
    CHECK_FALSE(longest->overlong);
    const auto marked = lines.next();
    CHECK(marked->overlong);
    CHECK(marked->text.empty());
    CHECK(lines.next()->text == "next");
  }
  SECTION("an endless line is dropped as it comes and marked at its end") {
    for (int i = 0; i < 1000; ++i) {
      lines.add(std::string(4096, 'x'));
      CHECK_FALSE(lines.next());
    }
    lines.add("x\nnext\n");
    CHECK(lines.next()->overlong);
    CHECK(lines.next()->text == "next");
    CHECK_FALSE(lines.next());
  }
}

TEST_CASE("Untrusted text is printable", "[text]") {
  CHECK(printable("bath 7") == "bath 7");
  CHECK(printable("\x1b[2J\n\x7f\xB0") == "\\x1b[2J\\x0a\\x7f\\xb0");
  CHECK(number(80) == "80");
  CHECK(number(-0.12345) == "-0.123");
}
