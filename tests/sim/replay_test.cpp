// A wire log as an instrument.
#include "drivers/sim/replay.hpp"

#include <catch2/catch.hpp>

#include "drivers/sim/config.hpp"

using namespace nightwell;
using namespace nightwell::sim;

namespace {

struct ReplayFixture {
  std::vector<Exchange> logged;
  std::unique_ptr<Replay> replay;

  void play(const std::string& text) {
    replay = std::make_unique<Replay>("scan", wire_log::parse(text).value(),
                                      [this](const Exchange& exchange) { logged.push_back(exchange); });
  }
  std::string ask(const std::string& bytes) {
    replay->receive(bytes, 0);
    std::string out;
    for (const Outgoing& one : replay->take_outgoing()) out += one.bytes;
    return out;
  }
};

const char* const session =
    "# Wire log, hand-written\n% driver scpi-scanner\n: identify\n> *IDN?\\n\n< A,B,C,1\\n\n= A,B,C,1\n"
    ": read 101 resistance\n> R?\\n\n@20\n< 10\n@30\n< 0.5\\n\n= 100.5\n: read 101 resistance\n> R?\\n\n< 101\\n\n= "
    "101\n";

}  // namespace

TEST_CASE_METHOD(ReplayFixture, "a log answers what it says, in its order and round its end", "[replay]") {
  play(session);
  CHECK(ask("*IDN?\n") == "A,B,C,1\n");
  CHECK(ask("R?\n") == "100.5\n");
  CHECK(ask("R?\n") == "101\n");
  CHECK(ask("R?\n") == "100.5\n");
  CHECK(ask("*ID").empty());
  CHECK(ask("N?\nR?\n") == "A,B,C,1\n100.5\n");
}

TEST_CASE_METHOD(ReplayFixture, "a message that is not in the log is answered by nothing and told", "[replay]") {
  play(session);
  CHECK(ask("SYST:ERR?\n*IDN?\n") == "A,B,C,1\n");
  REQUIRE(logged.size() == 2);
  CHECK(logged[0].line == "SYST:ERR?\n");
  CHECK(logged[0].remark == "not in the log");
  CHECK(logged[1].remark.empty());
  CHECK(ask("half a line").empty());
  CHECK(logged.size() == 2);
  CHECK(ask(" and its end\n").empty());
  CHECK(logged.back().line == "half a line and its end\n");
}

TEST_CASE_METHOD(ReplayFixture, "answers come with their waits, in their pieces", "[replay]") {
  play(session);
  replay->receive("R?\n", 0);
  const auto pieces = replay->take_outgoing();
  REQUIRE(pieces.size() == 2);
  CHECK(pieces[0].delay_wall_s == Approx(0.02));
  CHECK(pieces[1].delay_wall_s == Approx(0.05));
}

TEST_CASE_METHOD(ReplayFixture, "messages without an end in common, as frames are, are told whole", "[replay]") {
  play("> \\x01\\x03\\x00\\n\n< \\x01\\x03\\x02\n> \\x01\\x06\\x09\n< \\x01\\x86\n");
  CHECK(ask("\x01\x06\x09") == "\x01\x86");
  CHECK(ask("\x02\x03").empty());
  CHECK(logged.back().line == "\x02\x03");
  CHECK(ask(std::string("\x01\x03\x00\n", 4)) == "\x01\x03\x02");
}

TEST_CASE_METHOD(ReplayFixture, "a log unplugs and plugs in, and ends where lines are missing", "[replay]") {
  play("< hello\\n\n> a\\n\n!eof\n@200\n!open\n> b\\n\n< B\\n\n!lost 3\n> c\\n\n< C\\n\n");
  CHECK(ask("") == "hello\n");  // before the first message
  replay->receive("a\n", 0);
  const auto parts = replay->take_outgoing();
  REQUIRE(parts.size() == 2);
  CHECK(parts[0].plug == false);
  CHECK(parts[1].plug == true);
  CHECK(parts[1].delay_wall_s == Approx(0.2));
  replay->plug(false);
  CHECK(replay->unplugged());
  CHECK(ask("c\n").empty());
  CHECK(logged.back().remark == "not in the log");
}

TEST_CASE("a replay's log must be one, and is told with its line", "[replay]") {
  const auto config = [](const std::string& log) {
    return parse_config(R"({"format": "nightwell-sim/1", "ambient_c": 21, "replays": {"scan": {"log": ")" + log +
                            R"(", "port": {"type": "pty", "path": "ports/scan"}}}})",
                        std::string(NIGHTWELL_SOURCE_DIR) + "/tests");
  };
  const auto good = config("wirelogs/scanner-plain.log");
  REQUIRE(good.ok());
  CHECK(good->replays.at(0).log.driver == "scpi-scanner");
  CHECK_FALSE(config("wirelogs/missing.log").ok());
  const auto wrong = config("run.sh");
  REQUIRE_FALSE(wrong.ok());
  CHECK_THAT(wrong.error().text(), Catch::Contains("is no wire log: line"));
}
