// How lines can differ, each through the whole engine: terminators and none, replies of several lines or of a length,
// echo and prompt, acknowledgements, remarks, deadlines of single commands, proofs.
#include <algorithm>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <catch2/catch.hpp>
#include <map>

#include "dialect/codec.hpp"
#include "dialect/wire_in_memory.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"

namespace nightwell::instrument::test {

namespace {

ConnectionSettings called(const std::string& name) {
  ConnectionSettings settings;
  settings.name = name;
  settings.reply = std::chrono::milliseconds(100);
  return settings;
}

// An instrument that answers by a table; what is not in it gets no reply.
using Table = std::map<std::string, std::vector<Chunk>>;

asio::awaitable<void> read_once(LineScanner& scanner, std::optional<Result<Reading>>& out) {
  const Result<Identity> identity = co_await scanner.identify();
  if (!identity) {
    out = identity.error();
    co_return;
  }
  ChannelSetup channel;
  channel.address = 7;
  out = co_await scanner.read(channel);
}

struct Read {
  Result<Reading> reading;
  std::vector<std::string> heard;
};

Read read_with(const std::string& line_json, const std::string& commands, const std::string& end, const Table& table,
               const std::string& more = "") {
  const std::string json =
      R"({"format": "nightwell-dialect/1", "dialect": "d", "revision": 1, "for": "scanner", "line": )" + line_json +
      R"(, "fields": {"n": {"type": "number", "unit": "ohm"}, "who": {"type": "text"},
                              "ch": {"type": "channel", "lowest": 1, "highest": 9}})" +
      more + R"(, "commands": )" + commands + "}";
  auto line = std::make_shared<MemoryLine>(end, [&table](const std::string& message) -> std::vector<Chunk> {
    const auto found = table.find(message);
    return found == table.end() ? std::vector<Chunk>() : found->second;
  });
  LineScanner scanner(wire_to(line), called("d"), std::make_unique<dialect::DialectScanner>(dialect_of(json)));
  asio::io_context io{1};
  std::optional<Result<Reading>> out;
  asio::co_spawn(io, read_once(scanner, out), asio::detached);
  io.run();
  return Read{*out, line->heard};
}

constexpr const char* plain_commands = R"({
  "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
  "read_resistance": {"kind": "query", "send": "r{ch}", "reply": "R{n}", "value": "n"}})";

double value_of(const Read& read) {
  INFO((read.reading ? std::string() : read.reading.error().text()));
  REQUIRE(read.reading.ok());
  return read.reading->value;
}

}  // namespace

TEST_CASE("every terminator on both sides", "[manners]") {
  const std::map<std::string, std::string> ends = {{"CR", "\r"}, {"LF", "\n"}, {"CRLF", "\r\n"}};
  for (const auto& [command, command_end] : ends)
    for (const auto& [reply, reply_end] : ends) {
      INFO(command << " out, " << reply << " in");
      const Table table = {{"who", {{Duration(1000), "I am SEEDBANK" + reply_end}}},
                           {"r7", {{Duration(1000), "R1.5" + reply_end}}}};
      const auto read = read_with(R"({"command_end": ")" + command + R"(", "reply_end": ")" + reply + R"("})",
                                  plain_commands, command_end, table);
      CHECK(value_of(read) == 1.5);
    }
}

TEST_CASE("a line without terminators tells replies by their length", "[manners]") {
  const char* commands = R"({
    "identity": {"kind": "query", "send": "who", "reply": "I am {who}", "reply_bytes": 13},
    "read_resistance": {"kind": "query", "send": "r{ch}", "reply": "R{n}", "reply_bytes": 5, "value": "n"}})";
  const Table table = {{"who", {{Duration(1000), "I am "}, {Duration(2000), "SEEDBANK"}}},
                       {"r7", {{Duration(1000), "R1"}, {Duration(40'000), ".50"}}}};
  const char* line = R"({"command_end": "none", "reply_end": "none"})";
  CHECK(value_of(read_with(line, commands, "", table)) == 1.5);

  // A late reply is dropped on the way back into step, bytes or no lines.
  Table late = table;
  late["r7"] = {{Duration(150'000), "R9.99"}};
  const auto read = read_with(line, commands, "", late);
  REQUIRE_FALSE(read.reading.ok());
  CHECK(read.reading.error().code == Errc::no_answer);
  Table longer = table;
  longer["r7"] = {{Duration(1000), "R1.500"}};
  CHECK(read_with(line, commands, "", longer).reading.error().code == Errc::garbled);
}

TEST_CASE("a channel is chosen right before each reading, and what was not chosen is not read", "[manners]") {
  const char* line = R"({"command_end": "LF", "reply_end": "LF", "pause_ms": 20})";
  const char* commands = R"({
    "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
    "choose_input": {"kind": "safe_setting", "send": "c{ch}", "reply": "ok"},
    "read_resistance": {"kind": "query", "send": "r", "reply": "R{n}", "value": "n", "choose": "choose_input"}})";
  const char* refused = R"(, "refused": ["no {who}"])";
  const Table good = {{"who", {{Duration(1000), "I am SEEDBANK\n"}}},
                      {"c7", {{Duration(1000), "ok\n"}}},
                      {"r", {{Duration(1000), "R1.5\n"}}}};
  const auto heard_of = [](const Read& read, const std::string& message) {
    return std::count(read.heard.begin(), read.heard.end(), message);
  };
  const Read plain = read_with(line, commands, "\n", good);
  CHECK(value_of(plain) == 1.5);
  REQUIRE(plain.heard.size() >= 2);
  CHECK(plain.heard[plain.heard.size() - 2] == "c7");
  CHECK(plain.heard.back() == "r");

  Table unheard = good;  // the choice, or its reply, is lost: asked again, and never read unchosen
  unheard.erase("c7");
  const Read lost = read_with(line, commands, "\n", unheard);
  REQUIRE_FALSE(lost.reading.ok());
  CHECK(lost.reading.error().code == Errc::no_answer);
  CHECK(heard_of(lost, "c7") == 3);
  CHECK(heard_of(lost, "r") == 0);

  Table no = good;
  no["c7"] = {{Duration(1000), "no such input\n"}};
  const Read refusal = read_with(line, commands, "\n", no, refused);
  REQUIRE_FALSE(refusal.reading.ok());
  CHECK(refusal.reading.error().code == Errc::refused);
  CHECK(heard_of(refusal, "r") == 0);

  Table twice = good;  // its reply comes twice, within the pause: somebody else's line, so all of it is asked anew
  twice["c7"] = {{Duration(1000), "ok\n"}, {Duration(5000), "ok\n"}};
  const Read doubled = read_with(line, commands, "\n", twice);
  CHECK_FALSE(doubled.reading.ok());
  CHECK(heard_of(doubled, "r") == 0);

  Table silent = good;  // no value: the channel is chosen again before the question is asked again
  silent.erase("r");
  const Read mute = read_with(line, commands, "\n", silent);
  CHECK_FALSE(mute.reading.ok());
  CHECK(heard_of(mute, "c7") == heard_of(mute, "r"));
  CHECK(heard_of(mute, "r") == 3);
}

TEST_CASE("replies of several lines, counted or until a last one", "[manners]") {
  const char* line = R"({"command_end": "LF", "reply_end": "LF"})";
  const char* counted = R"({
    "identity": {"kind": "query", "send": "who", "reply": ["I am {who}", "of {who}"]},
    "read_resistance": {"kind": "query", "send": "r{ch}", "reply": ["channel {ch}", "R{n}"], "value": "n"}})";
  Table table = {{"who", {{Duration(1000), "I am SEEDBANK\nof long standing\n"}}},
                 {"r7", {{Duration(1000), "channel 7\n"}, {Duration(30'000), "R1.5\n"}}}};
  CHECK(value_of(read_with(line, counted, "\n", table)) == 1.5);
  table["r7"] = {{Duration(1000), "channel 8\nR1.5\n"}};
  CHECK(read_with(line, counted, "\n", table).reading.error().code == Errc::garbled);

  const char* until = R"({
    "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
    "read_resistance": {"kind": "query", "send": "r{ch}", "reply": "R{n}", "reply_until": "END", "value": "n"}})";
  table["who"] = {{Duration(1000), "I am SEEDBANK\n"}};
  table["r7"] = {{Duration(1000), "R1.5\nsome words\nEND\n"}};
  CHECK(value_of(read_with(line, until, "\n", table)) == 1.5);
  table["r7"] = {{Duration(1000), "R1.5\nsome words\n"}};
  CHECK(read_with(line, until, "\n", table).reading.error().code == Errc::no_answer);
}

TEST_CASE("echo and prompt are consumed, demanded, and no part of a reply", "[manners]") {
  const char* line = R"({"command_end": "CR", "reply_end": "CRLF", "echo": true, "prompt": "> "})";
  Table table = {{"who", {{Duration(1000), "who\r\nI am SEEDBANK\r\n> "}}},
                 {"r7", {{Duration(1000), "r7\r\nR1.5\r\n> "}}}};
  CHECK(value_of(read_with(line, plain_commands, "\r", table)) == 1.5);
  table["r7"] = {{Duration(1000), "r7\r\nR1.5\r\n"}};
  CHECK(read_with(line, plain_commands, "\r", table).reading.error().code == Errc::no_answer);
  table["r7"] = {{Duration(1000), "r7\r\nR1.5\r\n? "}};
  CHECK(read_with(line, plain_commands, "\r", table).reading.error().code == Errc::garbled);
  table["r7"] = {{Duration(1000), "R1.5\r\n> "}};
  CHECK_FALSE(read_with(line, plain_commands, "\r", table).reading.ok());
}

TEST_CASE("remarks that are declared are set aside; any other unasked line leaves the line suspect (fault 17)",
          "[manners]") {
  const char* line = R"({"command_end": "LF", "reply_end": "LF"})";
  Table table = {{"who", {{Duration(1000), "# door open\nI am SEEDBANK\n"}}},
                 {"r7", {{Duration(1000), "# pump on\n"}, {Duration(2000), "R1.5\n# pump off\n"}}}};
  const auto read = read_with(line, plain_commands, "\n", table, R"(, "set_aside": ["# {who}"])");
  CHECK(value_of(read) == 1.5);
  CHECK_FALSE(read.reading->odd);
  CHECK(read.heard == std::vector<std::string>{"who", "who", "r7"});
  CHECK_FALSE(read_with(line, plain_commands, "\n", table).reading.ok());
}

TEST_CASE("one command may take longer than the others", "[manners]") {
  const char* line = R"({"command_end": "LF", "reply_end": "LF"})";
  const char* slow = R"({
    "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
    "read_resistance": {"kind": "query", "send": "r{ch}", "reply": "R{n}", "value": "n", "within_s": 2}})";
  const Table table = {{"who", {{Duration(1000), "I am SEEDBANK\n"}}}, {"r7", {{Duration(1'900'000), "R1.5\n"}}}};
  CHECK(value_of(read_with(line, slow, "\n", table)) == 1.5);
  CHECK(read_with(line, plain_commands, "\n", table).reading.error().code == Errc::no_answer);
}

// ---- a heat source without an error queue ----

namespace {

constexpr const char* heater = R"({
  "format": "nightwell-dialect/1", "dialect": "heater", "revision": 1, "for": "heat_source",
  "line": {"command_end": "LF", "reply_end": "LF"},
  "fields": {"t": {"type": "number", "unit": "celsius", "decimals": 1}, "on": {"type": "state", "on": ["1"], "off": ["0"]},
             "who": {"type": "text"}},
  "refused": ["NO {who}"],
  "commands": {
    "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
    "target": {"kind": "query", "send": "s?", "reply": "s {t}", "value": "t"},
    "temperature": {"kind": "query", "send": "t?", "reply": "t {t}", "value": "t"},
    "output": {"kind": "query", "send": "h?", "reply": "h {on}", "value": "on"},
    "set_target": {"kind": "heat_setting", "send": "s {t}", "reply": "OK", "read_back": {"last_digits": 0}},
    "output_on": {"kind": "heat_setting", "send": "h 1", "reply": "OK"},
    "output_off": {"kind": "heat_setting", "send": "h 0", "reply": "OK"},
    "fan": {"kind": "safe_setting", "send": "fan 1", "reply": "OK"},
    "lamp": {"kind": "safe_setting", "send": "lamp 0", "reply": "OK"},
    "lamp_state": {"kind": "query", "send": "lamp?", "reply": "lamp {who}"}},
  "park": [{"command": "fan"}, {"command": "lamp", "expect": {"query": "lamp_state", "is": "lamp 0"}}]})";

asio::awaitable<void> switch_it(LineHeatSource& source, std::optional<double> target,
                                std::optional<Result<void>>& out) {
  const Result<Identity> identity = co_await source.identify();
  if (!identity) {
    out = identity.error();
    co_return;
  }
  if (target)
    out = co_await source.set_target(*target);
  else
    out = co_await source.set_output(false);
}

asio::awaitable<void> tell_target(LineHeatSource& source, double t_c, std::optional<Result<void>>& out) {
  out = co_await source.set_target(t_c);
}

asio::awaitable<void> tell_off(LineHeatSource& source, std::optional<Result<void>>& out) {
  out = co_await source.set_output(false);
}

struct Told {
  Result<void> result;
  std::vector<std::string> heard;
};

// A target, or off where there is none.
Told tell(const Table& table, std::optional<double> target) {
  auto line = std::make_shared<MemoryLine>("\n", [&table](const std::string& message) -> std::vector<Chunk> {
    const auto found = table.find(message);
    return found == table.end() ? std::vector<Chunk>() : found->second;
  });
  LineHeatSource source(wire_to(line), called("heater"), std::make_unique<dialect::DialectSource>(dialect_of(heater)));
  asio::io_context io{1};
  std::optional<Result<void>> out;
  asio::co_spawn(io, switch_it(source, target, out), asio::detached);
  io.run();
  return Told{*out, line->heard};
}

std::vector<Chunk> soon(std::string bytes) {
  return {Chunk{Duration(1000), std::move(bytes)}};
}

Table obliging() {
  return {{"who", soon("I am SEEDBANK\n")}, {"s 20.5", soon("OK\n")}, {"s?", soon("s 20.5\n")},   {"h 0", soon("OK\n")},
          {"fan 1", soon("OK\n")},          {"lamp 0", soon("OK\n")}, {"lamp?", soon("lamp 0\n")}};
}

}  // namespace

TEST_CASE("a setting is done when its acknowledgement and its read-back say so", "[manners]") {
  const auto done = tell(obliging(), 20.5);
  CHECK(done.result.ok());
  CHECK(done.heard == std::vector<std::string>{"who", "who", "s 20.5", "s?"});

  Table table = obliging();
  table["s?"] = soon("s 20.4\n");  // clamped (fault 26)
  CHECK(tell(table, 20.5).result.error().code == Errc::mismatch);
  table = obliging();
  table["s 20.5"] = soon("NO too hot\n");
  const auto refused = tell(table, 20.5);
  REQUIRE_FALSE(refused.result.ok());
  CHECK(refused.result.error().code == Errc::refused);
  CHECK(refused.result.error().detail.find("too hot") != std::string::npos);
  table["s 20.5"] = soon("s 20.5\n");
  CHECK(tell(table, 20.5).result.error().code == Errc::garbled);
  table["s 20.5"] = {};
  const auto silent = tell(table, 20.5);
  CHECK(silent.result.error().code == Errc::no_answer);
  CHECK(std::count(silent.heard.begin(), silent.heard.end(), "s 20.5") == 1);  // sent once, never again
}

TEST_CASE("off takes every step of the park sequence, whatever each says", "[manners]") {
  const auto off = tell(obliging(), std::nullopt);
  CHECK(off.result.ok());
  CHECK(off.heard == std::vector<std::string>{"who", "who", "h 0", "fan 1", "lamp 0", "lamp?"});
  Table table = obliging();
  table["fan 1"] = soon("NO not now\n");
  const auto partly = tell(table, std::nullopt);
  CHECK(partly.result.error().code == Errc::refused);
  CHECK(partly.heard.back() == "lamp?");
  table = obliging();
  table["lamp?"] = soon("lamp 1\n");
  CHECK(tell(table, std::nullopt).result.error().code == Errc::mismatch);
}

// A bath that restarted is in local control again: it must be possible to park it all the same.
TEST_CASE("an off that follows a refused setting takes the start-up steps again", "[manners]") {
  bool remote = false;
  const std::string json =
      std::string(heater).substr(0, std::string(heater).size() - 1) + R"(, "start_up": [{"command": "fan"}]})";
  auto line = std::make_shared<MemoryLine>("\n", [&remote](const std::string& message) -> std::vector<Chunk> {
    if (message == "fan 1") remote = true;
    const auto table = obliging();
    const auto found = table.find(message);
    if (found == table.end()) return {};
    return message == "s 20.5" && !remote ? soon("NO local\n") : found->second;
  });
  LineHeatSource source(wire_to(line), called("heater"), std::make_unique<dialect::DialectSource>(dialect_of(json)));
  asio::io_context io{1};
  std::optional<Result<void>> out;
  const auto done = [&] {
    io.restart();
    io.run();
    return *out;
  };
  asio::co_spawn(io, switch_it(source, 20.5, out), asio::detached);
  CHECK(done().ok());
  remote = false;  // it restarts
  asio::co_spawn(io, tell_target(source, 20.5, out), asio::detached);
  CHECK(done().error().code == Errc::refused);
  asio::co_spawn(io, tell_off(source, out), asio::detached);
  CHECK(done().ok());
  asio::co_spawn(io, tell_target(source, 20.5, out), asio::detached);
  CHECK(done().ok());
}

namespace {

template <class Value>
asio::awaitable<void> keep_result(asio::awaitable<Result<Value>> call, std::optional<Result<Value>>& out) {
  out = co_await std::move(call);
}

// A heater whose start-up step may fail, call by call.
struct StartedHeater {
  StartedHeater() {
    const std::string json =
        std::string(heater).substr(0, std::string(heater).size() - 1) + R"(, "start_up": [{"command": "set_up"}]})";
    std::string with_step = json;
    const std::string fan = R"("fan": {)";
    with_step.insert(with_step.find(fan), R"("set_up": {"kind": "safe_setting", "send": "mode 3", "reply": "OK"}, )");
    line = std::make_shared<MemoryLine>("\n", [this](const std::string& message) -> std::vector<Chunk> {
      if (message == "mode 3") return step;
      const auto found = table.find(message);
      return found == table.end() ? std::vector<Chunk>() : found->second;
    });
    table["h 1"] = soon("OK\n");
    source = std::make_unique<LineHeatSource>(wire_to(line), called("heater"),
                                              std::make_unique<dialect::DialectSource>(dialect_of(with_step)));
  }

  template <class Value>
  Result<Value> call(asio::awaitable<Result<Value>> what) {
    std::optional<Result<Value>> out;
    asio::co_spawn(io, keep_result(std::move(what), out), asio::detached);
    io.restart();
    io.run();
    return *out;
  }
  template <class Value>
  std::optional<Errc> code(asio::awaitable<Result<Value>> what) {
    const Result<Value> result = call(std::move(what));
    return result ? std::nullopt : std::optional(result.error().code);
  }
  [[nodiscard]] long sent(const std::string& message) const {
    return std::count(line->heard.begin(), line->heard.end(), message);
  }

  Table table = obliging();
  std::vector<Chunk> step = soon("OK\n");
  std::shared_ptr<MemoryLine> line;
  std::unique_ptr<LineHeatSource> source;
  asio::io_context io{1};
};

}  // namespace

TEST_CASE("Nothing heats behind a start-up step that failed, until an identify() succeeds", "[manners]") {
  const std::vector<std::vector<Chunk>> failures = {soon("NO local\n"), soon("what\n"), {}};
  for (const auto& failure : failures) {
    StartedHeater lab;
    lab.step = failure;
    CHECK(lab.code(lab.source->identify()));
    const Result<void> target = lab.call(lab.source->set_target(20.5));
    REQUIRE_FALSE(target.ok());
    CHECK(target.error().code == Errc::refused);
    CHECK(target.error().text().find("start-up") != std::string::npos);
    CHECK(lab.code(lab.source->set_output(true)) == Errc::refused);
    CHECK(lab.sent("s 20.5") + lab.sent("h 1") == 0);
    CHECK(lab.code(lab.source->identify()));
    CHECK(lab.code(lab.source->set_output(true)) == Errc::refused);
    lab.step = soon("OK\n");
    CHECK_FALSE(lab.code(lab.source->identify()));
    CHECK_FALSE(lab.code(lab.source->set_target(20.5)));
    CHECK_FALSE(lab.code(lab.source->set_output(true)));
    CHECK(lab.sent("s 20.5") == 1);
    CHECK(lab.sent("h 1") == 1);
  }
}

TEST_CASE("A park gets through behind a start-up step that failed: off, its steps, and the target behind it",
          "[manners]") {
  StartedHeater lab;
  lab.step = soon("NO local\n");
  CHECK(lab.code(lab.source->identify()));
  CHECK_FALSE(lab.code(lab.source->set_output(false)));
  CHECK(lab.sent("h 0") == 1);
  CHECK(lab.sent("fan 1") == 1);
  CHECK_FALSE(lab.code(lab.source->set_target(20.5)));  // the output was switched off: it heats nothing
  CHECK(lab.code(lab.source->set_output(true)) == Errc::refused);
  CHECK(lab.sent("h 1") == 0);
}

TEST_CASE("Off gets through where the port came back and the start-up behind it fails", "[manners]") {
  StartedHeater lab;
  REQUIRE_FALSE(lab.code(lab.source->identify()));
  REQUIRE_FALSE(lab.code(lab.source->set_output(true)));
  lab.line->unplug(std::chrono::milliseconds(5));
  lab.line->plug_in(std::chrono::milliseconds(200));
  lab.line->now += std::chrono::milliseconds(300);
  lab.step = soon("NO local\n");
  CHECK(lab.code(lab.source->set_target(20.5)) == Errc::refused);
  CHECK(lab.code(lab.source->set_output(true)) == Errc::refused);
  CHECK(lab.sent("s 20.5") == 0);
  CHECK(lab.sent("h 1") == 1);
  CHECK_FALSE(lab.code(lab.source->set_output(false)));
  CHECK(lab.sent("h 0") == 1);
  lab.step = soon("OK\n");
  CHECK_FALSE(lab.code(lab.source->identify()));
  CHECK_FALSE(lab.code(lab.source->set_output(true)));
}

}  // namespace nightwell::instrument::test
