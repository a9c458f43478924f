#include "drivers/sim/station.hpp"

#include <catch2/catch.hpp>

#include "drivers/sim/scanner.hpp"
#include "drivers/sim/source.hpp"
#include "tests/sim/support.hpp"

using namespace nightwell;
using namespace nightwell::sim;

namespace {

struct StationFixture {
  Config config = test::bench_config();
  World world{config, 7};
  std::vector<Exchange> logged;
  Station station{"scan", std::make_unique<SimulatedScanner>(config.scanners.front(), world), 7,
                  [this](const Exchange& exchange) { logged.push_back(exchange); }};

  // What the client would have received, with everything done that is due by then.
  std::string received(double now_s) {
    while (station.due_s() && *station.due_s() <= now_s) {
      const double due_s = *station.due_s();
      world.advance_to(due_s);
      station.proceed(due_s);
    }
    std::string out;
    for (const Outgoing& one : station.take_outgoing()) out += one.bytes;
    return out;
  }
  std::string ask(const std::string& bytes, double now_s) {
    std::string out = received(now_s);
    station.receive(bytes, now_s);
    return out + received(now_s + 1);
  }
  void begin(const std::string& text, double now_s = 0) { station.begin_fault(*parse_fault(text), now_s); }
};

}  // namespace

TEST_CASE_METHOD(StationFixture, "lines end with LF or CR LF and may arrive in pieces") {
  CHECK(ask("*OPC?\n", 0) == "1\n");
  CHECK(ask("*OPC?\r\n", 1) == "1\n");
  CHECK(ask("*OP", 2).empty());
  CHECK(ask("C?\n*TST?\n", 3) == "1\n0\n");
  CHECK(ask("\n\r\n", 4).empty());
}

TEST_CASE_METHOD(StationFixture, "a line beyond the input buffer is one error and no command") {
  CHECK(ask(std::string(100000, 'A') + ";*OPC?\n", 0).empty());
  CHECK(ask("SYST:ERR?\n", 1) == "-363,\"Input buffer overrun\"\n");
}

TEST_CASE_METHOD(StationFixture, "messages wait for the measurement before them") {
  station.receive("MEAS:FRES? (@101)\n*OPC?\n", 0);
  CHECK(received(0.2).empty());
  const std::string both = received(0.25);
  CHECK(both.ends_with("\n1\n"));
  REQUIRE(logged.size() == 2);
  CHECK(logged[0].line == "MEAS:FRES? (@101)");
  CHECK(logged[0].reply + "\n1\n" == both);
}

TEST_CASE_METHOD(StationFixture, "silence is counted, timed or lifted, and deaf unless told otherwise") {
  begin(R"({"instrument": "scan", "fault": "silent", "times": 2})");
  CHECK(ask("*OPC?\n", 0).empty());
  CHECK(ask("*OPC?\n", 1).empty());
  CHECK(ask("*OPC?\n", 2) == "1\n");
  begin(R"({"instrument": "scan", "fault": "silent", "for_s": 10})", 3);
  CHECK(ask("*OPC?\n", 4).empty());
  CHECK(ask("*OPC?\n", 20) == "1\n");
  begin(R"({"instrument": "scan", "fault": "silent", "hears": true})", 21);
  CHECK(ask("*ESE 8;*ESE?\n", 22).empty());
  begin(R"({"instrument": "scan", "fault": "clear"})", 23);
  CHECK(ask("*ESE?\n", 24) == "8\n");
}

TEST_CASE_METHOD(StationFixture, "garbage is not the reply, and the log says so") {
  begin(R"({"instrument": "scan", "fault": "garbage", "times": 1})");
  const std::string bytes = ask("*IDN?\n", 0);
  CHECK(bytes.size() >= 2);
  CHECK(bytes.find("Nightwell") == std::string::npos);
  CHECK(logged.back().remark == "garbage");
  CHECK(ask("*OPC?\n", 1) == "1\n");
}

TEST_CASE_METHOD(StationFixture, "a delayed reply is the true one, later") {
  begin(R"({"instrument": "scan", "fault": "delay", "delay_wall_s": 2.5, "times": 1})");
  station.receive("*OPC?\n*TST?\n", 0);
  const std::vector<Outgoing> out = station.take_outgoing();
  REQUIRE(out.size() == 2);
  CHECK(out[0].bytes == "1\n");
  CHECK(out[0].delay_wall_s == 2.5);
  CHECK(out[1].delay_wall_s == 0);
}

TEST_CASE_METHOD(StationFixture, "a reset forgets what was under way") {
  station.receive("MEAS:FRES? (@101)\n*OPC?\nBAD\n", 0);
  begin(R"({"instrument": "scan", "fault": "reset"})", 0.1);
  CHECK(received(10).empty());
  CHECK(ask("SYST:ERR?\n", 11) == "0,\"No error\"\n");
  CHECK(ask("*ESR?\n", 12) == "128\n");
}

TEST_CASE_METHOD(StationFixture, "a connection that ends leaves no reply for the next one") {
  station.receive("MEAS:FRES? (@101)\n", 0);
  station.cut();
  CHECK(received(1).empty());
  CHECK(logged.back().remark == "cut");
  CHECK(ask("*OPC?\n", 2) == "1\n");
}

TEST_CASE_METHOD(StationFixture, "unplugged is a state that ends by itself") {
  begin(R"({"instrument": "scan", "fault": "unplug", "for_s": 5})", 0);
  CHECK(station.unplugged());
  (void)received(6);
  CHECK_FALSE(station.unplugged());
}
