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

// ---- bad lines, in every manner ----

TEST_CASE_METHOD(StationFixture, "a bad line loses a byte, damages one, repeats, splits and glues replies") {
  const std::string good = ask("*IDN?\n", 0);
  begin(R"({"instrument": "scan", "fault": "byte_loss", "times": 1})");
  CHECK(ask("*IDN?\n", 1).size() == good.size() - 1);
  begin(R"({"instrument": "scan", "fault": "damage", "times": 1})");
  const std::string damaged = ask("*IDN?\n", 2);
  CHECK(damaged.size() == good.size());
  std::size_t differ = 0;
  for (std::size_t i = 0; i < std::min(good.size(), damaged.size()); ++i) differ += good[i] != damaged[i] ? 1 : 0;
  CHECK(differ == 1);
  CHECK(damaged.back() == '\n');
  begin(R"({"instrument": "scan", "fault": "duplicate", "times": 1})");
  CHECK(ask("*IDN?\n", 3) == good + good);
  begin(R"({"instrument": "scan", "fault": "glued", "times": 1})");
  CHECK(ask("*IDN?\n", 4).empty());
  CHECK(ask("*OPC?\n", 5) == good + "1\n");
  CHECK(logged.back().remark.empty());
  begin(R"({"instrument": "scan", "fault": "split", "delay_wall_s": 0.3, "times": 1})");
  station.receive("*IDN?\n", 6);
  const auto pieces = station.take_outgoing();
  REQUIRE(pieces.size() == 2);
  CHECK(pieces[0].bytes + pieces[1].bytes == good);
  CHECK(!pieces[0].bytes.empty());
  CHECK(pieces[1].delay_wall_s - pieces[0].delay_wall_s == Approx(0.3));
  CHECK(ask("*IDN?\n", 7) == good);
  for (const char* remark : {"byte_loss", "damage", "duplicate", "glued", "split"})
    CHECK(std::any_of(logged.begin(), logged.end(), [&](const Exchange& one) { return one.remark == remark; }));
}

TEST_CASE_METHOD(StationFixture,
                 "the chatty manner loses its echo or its prompt, and every fault of a line is one of it too") {
  Station chatty("scan", std::make_unique<SimulatedScanner>(config.scanners.front(), world), make_manner("chatty"), 7,
                 [](const Exchange&) {});
  const auto said = [&](const std::string& fault) {
    if (!fault.empty())
      chatty.begin_fault(
          *parse_fault(R"({"instrument": "scan", "times": 1, "delay_wall_s": 0.1, "fault": ")" + fault + "\"}"), 0);
    chatty.receive("who\r\n", 0);
    std::string out;
    for (const Outgoing& one : chatty.take_outgoing()) out += one.bytes;
    return out;
  };
  const std::string good = said("");
  REQUIRE(good.starts_with("who\r\nI am "));
  REQUIRE(good.ends_with("\r\n> "));
  CHECK(said("no_echo") == good.substr(5));
  CHECK(said("no_prompt") == good.substr(0, good.size() - 2));
  CHECK(said("byte_loss").size() == good.size() - 1);
  CHECK(said("damage").size() == good.size());
  CHECK(said("duplicate") == good + good);
  CHECK(said("glued").empty());
  CHECK(said("split") == good + good);  // with what was kept back
  CHECK(said("silent").empty());
  CHECK(said("garbage") != good);
  CHECK(said("delay").starts_with(good));  // the tenth command, and its remark
  CHECK(said("") == good);
}

TEST_CASE_METHOD(StationFixture,
                 "the polled manner answers while it measures, and forgets what it is told to do anew") {
  ScannerConfig at_once = config.scanners.front();
  at_once.reading_s = 0;
  Station polled("scan", std::make_unique<SimulatedScanner>(at_once, world), make_manner("polled", 5), 7,
                 [](const Exchange&) {});
  const auto ask_polled = [&](const std::string& line, double now_s) {
    world.advance_to(now_s);
    polled.receive(line + "\n", now_s);
    std::string out;
    for (const Outgoing& one : polled.take_outgoing()) out += one.bytes;
    return out;
  };
  CHECK(ask_polled("id?", 0).starts_with("id Nightwell,"));
  CHECK(ask_polled("state?", 0) == "state 0\n");
  CHECK(ask_polled("value?", 0) == "no: nothing is ready\n");
  CHECK(ask_polled("take ohm 101", 1) == "taking 101\n");
  CHECK(ask_polled("state?", 1) == "state 2\n");
  CHECK(ask_polled("value?", 5.9) == "no: nothing is ready\n");
  CHECK(ask_polled("state?", 6) == "state 1\n");
  const std::string reading = ask_polled("value?", 6);
  CHECK_THAT(reading, Catch::StartsWith("101 +1.0") && Catch::EndsWith("e+02 ohm\n"));
  CHECK(ask_polled("value?", 7) == reading);  // until something else is begun

  CHECK(ask_polled("take ohm 120", 8) == "taking 120\n");  // nothing is connected there
  CHECK(ask_polled("take temp 104", 10) == "taking 104\n");
  CHECK(ask_polled("state?", 13) == "state 2\n");
  CHECK_THAT(ask_polled("value?", 15), Catch::StartsWith("104 +") && Catch::EndsWith(" C\n"));
  CHECK(ask_polled("take ohm 120", 16) == "taking 120\n");
  CHECK(ask_polled("value?", 21) == "120 OVER ohm\n");
  for (const char* wrong :
       {"take ohm 999", "take weight 101", "take", "take ohm", "TAKE ohm 101", "", "take ohm 101)(@102"})
    CHECK(ask_polled(wrong, 22).starts_with("no: "));
  CHECK(ask_polled("value?", 30) == "no: nothing is ready\n");

  CHECK(ask_polled("take ohm 101", 31) == "taking 101\n");
  polled.begin_fault(*parse_fault(R"({"instrument": "scan", "fault": "reset"})"), 32);
  CHECK(ask_polled("state?", 40) == "state 0\n");
}

TEST_CASE_METHOD(
    StationFixture,
    "the terse manner's checksum tells a damaged reply, and a reset forgets its setpoint and remote control") {
  Station terse("bath", std::make_unique<SimulatedSource>(config.sources.front(), world), make_manner("terse"), 7,
                [](const Exchange&) {});
  const auto ask_terse = [&](const std::string& bytes) {
    terse.receive(bytes, 0);
    std::string out;
    for (const Outgoing& one : terse.take_outgoing()) out += one.bytes;
    return out;
  };
  const auto fault = [&](const char* text) { terse.begin_fault(*parse_fault(text), 0); };
  CHECK(ask_terse("R1*63\r") == "A*41\r");
  CHECK(ask_terse("S+055.00*66\r") == "A*41\r");
  CHECK(ask_terse("S?*6C\r") == "S+055.00*66\r");
  fault(R"({"instrument": "bath", "fault": "damage", "times": 1})");
  const std::string damaged = ask_terse("S?*6C\r");
  unsigned sum = 0;
  for (const char c : damaged.substr(0, damaged.find('*'))) sum ^= static_cast<unsigned char>(c);
  char wanted[8];
  std::snprintf(wanted, sizeof wanted, "*%02X\r", sum);
  CHECK_FALSE(damaged.ends_with(wanted));
  fault(R"({"instrument": "bath", "fault": "stuck"})");
  const std::string stuck = ask_terse("T?*6B\r");
  fault(R"({"instrument": "bath", "fault": "reset"})");
  CHECK(ask_terse("S?*6C\r") == "S+021.00*65\r");
  CHECK(ask_terse("H1*79\r").starts_with("N3"));
  CHECK(ask_terse("T?*6B\r") == stuck);
}
