// A Modbus source through the whole engine, on a line in memory and on virtual time, against a server by hand that answers
// late, garbled, from another unit, with exceptions, or not at all.
#include "modbus/source.hpp"

#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <bit>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "dialect/checksum.hpp"
#include "dialect/wire_in_memory.hpp"
#include "instrument/line_heat_source.hpp"
#include "modbus/furnace.hpp"

namespace nightwell::modbus::test {

namespace {

using namespace instrument;
using namespace instrument::test;
using dialect::Framing;

constexpr Duration deadline = std::chrono::milliseconds(100);
constexpr Duration quiet = std::chrono::milliseconds(100);  // of the shipped dialect

template <class Value>
asio::awaitable<void> keep(asio::awaitable<Result<Value>> call, std::optional<Result<Value>>& out) {
  out = co_await std::move(call);
}

// What the line does with a reply; as it is where nothing is said.
using Mischief = std::function<std::vector<Chunk>(const std::string& request, std::string reply)>;

struct FurnaceLab {
  explicit FurnaceLab(Framing framing, const std::string& json = "", const std::string& identity = "")
      : server(furnace(framing)) {
    line = std::make_shared<MemoryLine>("", [this](const std::string& request) {
      std::string reply = server.answer(request);
      if (mischief) return mischief(request, std::move(reply));
      return std::vector<Chunk>{Chunk{std::chrono::milliseconds(2), std::move(reply)}};
    });
    ConnectionSettings settings;
    settings.name = "the furnace";
    settings.reply = deadline;
    settings.identity = identity;
    const auto spoken = dialect_of(json.empty() ? furnace_dialect(framing) : json);
    source =
        std::make_unique<LineHeatSource>(wire_to(line), settings, std::make_unique<ModbusSource>(spoken, Duration(0)));
  }

  template <class Value>
  Result<Value> call(asio::awaitable<Result<Value>> what) {
    std::optional<Result<Value>> out;
    const SteadyTime before = line->now;
    asio::co_spawn(io, keep(std::move(what), out), asio::detached);
    io.restart();
    io.run();
    took = line->now - before;
    return *out;
  }
  bool identify() { return call(source->identify()).ok(); }
  [[nodiscard]] long sent(const std::string& what) const {
    return std::count_if(line->heard.begin(), line->heard.end(),
                         [&](const std::string& one) { return one.find(what) != std::string::npos; });
  }

  Server server;
  Mischief mischief;
  std::shared_ptr<MemoryLine> line;
  std::unique_ptr<LineHeatSource> source;
  asio::io_context io{1};
  std::chrono::nanoseconds took{0};
};

std::vector<Chunk> at_once(std::string bytes) {
  return {Chunk{std::chrono::milliseconds(2), std::move(bytes)}};
}

std::function<int(const Request&)> always(int exception) {
  return [exception](const Request&) { return exception; };
}

const std::string reads_temperature("\x11\x04\x00\x08\x00\x02", 6);
const std::string reads_target("\x11\x03\x00\x10\x00\x01", 6);
const std::string writes_target("\x11\x06\x00\x10", 4);
const std::string writes_off("\x11\x05\x00\x00\x00\x00", 6);

template <class Value>
Errc code_of(const Result<Value>& result) {
  return result ? Errc::unexpected : result.error().code;
}

}  // namespace

TEST_CASE("A source behind registers is spoken to on a line and on a network") {
  for (const Framing framing : {Framing::rtu, Framing::tcp}) {
    FurnaceLab lab(framing, "", "serial 7");
    const auto identity = lab.call(lab.source->identify());
    REQUIRE(identity);
    CHECK(identity->text == "model 20055, serial 7, firmware 103");
    CHECK(lab.server.holding.at(20) == 1);  // remote control, by the start-up
    CHECK(lab.call(lab.source->read_temperature()).value() == 20.5);
    CHECK(lab.call(lab.source->read_target()).value() == Approx(21.0));
    CHECK(lab.call(lab.source->set_target(-24.96)).ok());
    CHECK(lab.server.holding.at(16) == 0xFF06);  // -25.0 in tenths
    CHECK(lab.call(lab.source->set_output(true)).ok());
    CHECK(lab.server.coils.at(0));
    CHECK(lab.call(lab.source->read_output()).value());
    CHECK(lab.call(lab.source->set_output(false)).ok());
    CHECK_FALSE(lab.server.coils.at(0));
    CHECK(lab.server.holding.at(21) == 1);  // the park step
  }
}

TEST_CASE("Another instrument is told by its registers, and nothing is set on it") {
  FurnaceLab wrong_model(Framing::rtu);
  wrong_model.server.input[0] = 20056;
  const auto told = wrong_model.call(wrong_model.source->identify());
  CHECK(code_of(told) == Errc::wrong_identity);
  CHECK(told.error().detail.find("\"model\" shows 20056 instead of 20055") != std::string::npos);
  CHECK(wrong_model.server.writes == 0);

  FurnaceLab wrong_serial(Framing::rtu, "", "serial 8");
  CHECK(code_of(wrong_serial.call(wrong_serial.source->identify())) == Errc::wrong_identity);
  CHECK(wrong_serial.server.writes == 0);

  FurnaceLab swapped(Framing::tcp);
  REQUIRE(swapped.identify());
  const long writes = swapped.server.writes;
  swapped.line->unplug(std::chrono::milliseconds(5));
  swapped.line->plug_in(std::chrono::milliseconds(200));
  swapped.line->now += std::chrono::milliseconds(300);
  swapped.server.input[1] = 9;
  CHECK(code_of(swapped.call(swapped.source->set_target(100))) == Errc::wrong_identity);
  CHECK(swapped.server.writes == writes);
}

TEST_CASE("The same instrument is taken again after the line was gone, and gets its start-up again") {
  FurnaceLab lab(Framing::tcp);
  REQUIRE(lab.identify());
  lab.line->unplug(std::chrono::milliseconds(5));
  lab.line->plug_in(std::chrono::milliseconds(200));
  lab.line->now += std::chrono::milliseconds(300);
  lab.server.holding[20] = 0;
  CHECK(lab.call(lab.source->read_temperature()).value() == 20.5);
  CHECK(lab.server.holding.at(20) == 1);
}

TEST_CASE("A damaged reply is asked again, and is never a value") {
  const std::pair<const char*, std::function<std::string(const Server&, std::string)>> damages[] = {
      {"checksum", [](const Server&, std::string reply) { return reply.back() ^= 1, reply; }},
      {"another unit", [](const Server& s, std::string reply) { return s.framed(reply.substr(1, 6), 0, 18); }},
      {"cut short", [](const Server&, std::string reply) { return reply.substr(0, 4); }},
      {"too long", [](const Server&, std::string reply) { return reply + std::string(3, '\0'); }},
      {"twice", [](const Server&, std::string reply) { return reply + reply; }},
      {"noise before it", [](const Server&, std::string reply) { return "\x7f\x03" + reply; }},
      {"nothing", [](const Server&, std::string) { return std::string(); }}};
  for (const auto& [name, damage] : damages) {
    INFO(name);
    FurnaceLab lab(Framing::rtu);
    REQUIRE(lab.identify());
    int left = 1;
    lab.mischief = [&, &bend = damage](const std::string& request, std::string reply) {
      const bool now = request.starts_with(reads_temperature) && left > 0;
      if (now) --left;
      return at_once(now ? bend(lab.server, std::move(reply)) : std::move(reply));
    };
    CHECK(lab.call(lab.source->read_temperature()).value() == 20.5);
    CHECK(lab.sent(reads_temperature) == 2);
    left = 1'000'000;
    const auto never = lab.call(lab.source->read_temperature());
    CHECK_FALSE(never.ok());
    // The bound that line_instrument.hpp states for garbage without end.
    CHECK(lab.took <= 3 * (deadline + 3 * (2 * deadline + 17 * quiet)));
  }
}

TEST_CASE("A silent instrument costs two deadlines and a quiet time") {
  FurnaceLab lab(Framing::rtu);
  REQUIRE(lab.identify());
  lab.mischief = [](const std::string&, const std::string&) { return std::vector<Chunk>(); };
  CHECK(code_of(lab.call(lab.source->read_temperature())) == Errc::no_answer);
  CHECK(lab.took <= 2 * deadline + quiet + std::chrono::milliseconds(20));
  CHECK(code_of(lab.call(lab.source->set_output(false))) == Errc::no_answer);
  CHECK(lab.sent(writes_off) == 1);  // put on the line all the same
}

TEST_CASE("An exception is a refusal with its name, and leaves the line in step") {
  FurnaceLab lab(Framing::rtu);
  REQUIRE(lab.identify());
  lab.server.refuses = always(6);
  const auto busy = lab.call(lab.source->read_temperature());
  CHECK(code_of(busy) == Errc::refused);
  CHECK(busy.error().text().find("server device busy") != std::string::npos);
  CHECK(lab.took < deadline);
  lab.server.refuses = always(11);
  CHECK(code_of(lab.call(lab.source->set_target(100))) == Errc::no_answer);
  CHECK(lab.sent(writes_target) == 1);
  lab.server.refuses = nullptr;
  CHECK(lab.call(lab.source->read_temperature()).value() == 20.5);
}

TEST_CASE("A setting is sent once, whatever becomes of its reply, and is proved by reading back") {
  FurnaceLab lab(Framing::rtu);
  REQUIRE(lab.identify());
  lab.mischief = [&](const std::string& request, std::string reply) {
    return at_once(request.starts_with(writes_target) ? std::string() : std::move(reply));
  };
  CHECK(code_of(lab.call(lab.source->set_target(100))) == Errc::no_answer);
  CHECK(lab.sent(writes_target) == 1);
  lab.mischief = nullptr;
  CHECK(lab.call(lab.source->read_target()).value() == Approx(100.0));

  lab.server.written = [](Server& server, const WriteRequest&) { server.holding[16] = 2000; };
  const auto limited = lab.call(lab.source->set_target(300));
  CHECK(code_of(limited) == Errc::mismatch);
  CHECK(limited.error().detail.find("200.0") != std::string::npos);
  CHECK(lab.call(lab.source->set_target(2000)).error().code == Errc::bad_input);  // beyond the dialect's limits
}

TEST_CASE("An output that does not follow is a mismatch") {
  FurnaceLab lab(Framing::tcp);
  REQUIRE(lab.identify());
  lab.mischief = [&](const std::string& request, std::string reply) {
    lab.server.input[12] = 0;
    return at_once(request.size() > 7 && request[7] == 4 ? lab.server.answer(request) : std::move(reply));
  };
  CHECK(code_of(lab.call(lab.source->set_output(true))) == Errc::mismatch);
  lab.mischief = nullptr;
  lab.server.input[12] = 1;
  CHECK(lab.call(lab.source->read_output()).value());
}

TEST_CASE("No number is no value: NaN, infinite, a state that is neither on nor off") {
  FurnaceLab lab(Framing::rtu);
  REQUIRE(lab.identify());
  lab.server.input[9] = 0x7FC0;
  CHECK(code_of(lab.call(lab.source->read_temperature())) == Errc::open_sensor);
  lab.server.input[9] = 0x7F80, lab.server.input[8] = 0;
  CHECK(code_of(lab.call(lab.source->read_temperature())) == Errc::overload);

  std::string json = furnace_dialect(Framing::rtu);
  json.replace(json.find(R"("mask": 1, "on")"), 9, R"("mask": 3)");
  FurnaceLab odd(Framing::rtu, json);
  REQUIRE(odd.identify());
  odd.server.input[12] = 2;
  CHECK(code_of(odd.call(odd.source->read_output())) == Errc::garbled);
}

// The second call comes while the first waits for its reply: here, while the server is about to answer.
TEST_CASE("Off goes out at once on a network, and right behind the awaited reply where both sides take turns") {
  for (const Framing framing : {Framing::rtu, Framing::tcp}) {
    FurnaceLab lab(framing);
    REQUIRE(lab.identify());
    std::optional<Result<void>> off;
    bool answering = false, off_while_answering = false;
    lab.mischief = [&](const std::string& request, std::string reply) {
      const std::string data = framing == Framing::rtu ? request : request.substr(6);
      if (data.starts_with(writes_off)) off_while_answering = answering;
      if (data.starts_with(reads_temperature) && !off) {
        answering = true;
        asio::co_spawn(lab.io, keep(lab.source->set_output(false), off), asio::detached);
        answering = false;
      }
      return at_once(std::move(reply));
    };
    const auto temperature = lab.call(lab.source->read_temperature());
    REQUIRE(off);
    CHECK(code_of(*off) == Errc::unexpected);  // sent, not proved: call again
    CHECK(lab.sent(writes_off) == 1);
    CHECK(off_while_answering == (framing == Framing::tcp));
    if (framing == Framing::rtu) CHECK(temperature.value() == 20.5);
    CHECK(lab.call(lab.source->set_output(false)).ok());
  }
}

TEST_CASE("Off goes out behind the deadline of a reply that never comes") {
  FurnaceLab lab(Framing::rtu);
  REQUIRE(lab.identify());
  std::optional<Result<void>> off;
  lab.mischief = [&](const std::string& request, std::string reply) {
    if (!request.starts_with(reads_temperature)) return at_once(std::move(reply));
    if (!off) asio::co_spawn(lab.io, keep(lab.source->set_output(false), off), asio::detached);
    return std::vector<Chunk>();
  };
  lab.server.coils[0] = true;
  CHECK_FALSE(lab.call(lab.source->read_temperature()).ok());
  CHECK_FALSE(lab.server.coils.at(0));
}

// ---- no reply answers another question -----------------------------------------------------------

namespace {

// Temperature and target have replies of one shape. The server numbers its readings; a temperature that is accepted must
// be the newest, and a target the one that was set.
std::string twin_registers(Framing framing) {
  std::string json = furnace_dialect(framing);
  const std::string was = R"("address": 8, "type": "float32", "word_order": "low_first")";
  json.replace(json.find(was), was.size(), R"("address": 8, "type": "uint16")");
  const std::string target = R"("target": {"table": "holding", "address": 16, "type": "int16", "factor": 0.1)";
  json.replace(json.find(target), target.size(), R"("target": {"table": "input", "address": 30, "type": "uint16")");
  const std::string set = R"("set_target": {"address": 16, "type": "int16", "factor": 0.1)";
  json.replace(json.find(set), set.size(), R"("set_target": {"address": 16, "type": "int16", "factor": 1)");
  return json;
}

class UnreliableLine {
 public:
  UnreliableLine(FurnaceLab& lab, std::uint32_t seed) : lab_(lab), random_(seed) {}

  std::vector<Chunk> operator()(const std::string& request, std::string) {
    // A number below 5000 is a temperature, one above a target.
    lab_.server.input[8] = static_cast<std::uint16_t>(newest = (newest + 1) % 5000);
    lab_.server.input[30] = static_cast<std::uint16_t>(5000 + newest);
    return deliver(lab_.server.answer(request));
  }
  int newest = 0;

 private:
  bool one_in(int n) { return std::uniform_int_distribution<int>(1, n)(random_) == 1; }
  Duration up_to(int milliseconds) {
    return std::chrono::microseconds(std::uniform_int_distribution<int>(0, milliseconds * 1000)(random_));
  }
  std::vector<Chunk> deliver(std::string reply) {
    const Duration after = up_to(20) + (one_in(40) ? up_to(4000) : Duration(0));
    if (one_in(60)) return {};
    // A network's own checksum keeps damaged bytes from us; on a line the frame's must.
    if (one_in(60) && lab_.server.framing == Framing::rtu)
      reply[std::uniform_int_distribution<std::size_t>(0, reply.size() - 1)(random_)] ^= 0x10;
    if (one_in(60)) return {Chunk{after, reply}, Chunk{after, reply}};  // a copy within the pause
    if (one_in(20)) {
      const std::size_t cut = std::uniform_int_distribution<std::size_t>(0, reply.size())(random_);
      return {Chunk{after, reply.substr(0, cut)}, Chunk{after + up_to(one_in(4) ? 500 : 10), reply.substr(cut)}};
    }
    return {Chunk{after, std::move(reply)}};
  }

  FurnaceLab& lab_;
  std::mt19937 random_;
};

}  // namespace

TEST_CASE("No reply is taken for the answer to another question") {
  for (const Framing framing : {Framing::rtu, Framing::tcp}) {
    FurnaceLab lab(framing, twin_registers(framing));
    lab.server.input[30] = 0;
    lab.line->keep_heard = false;
    auto line = std::make_shared<UnreliableLine>(lab, 20261126);
    lab.mischief = [line](const std::string& request, std::string reply) { return (*line)(request, std::move(reply)); };
    while (!lab.identify()) {
    }
    long accepted = 0, wrong = 0;
    for (int i = 0; i < 4000; ++i) {
      const bool target = i % 2 == 0;
      const auto value = target ? lab.call(lab.source->read_target()) : lab.call(lab.source->read_temperature());
      if (!value) continue;
      ++accepted;
      wrong += std::lround(*value) != line->newest + (target ? 5000 : 0);
    }
    CHECK(wrong == 0);
    CHECK(accepted > 2800);
  }
}

TEST_CASE("Frames on a line keep the silence between them that the standard wants") {
  SerialPort port;
  port.baud = 9600;
  CHECK(frame_silence(port) == from_seconds(3.5 * 11 / 9600));
  port.baud = 115'200;
  CHECK(frame_silence(port) == from_seconds(0.00175));
  CHECK(frame_silence(TcpPort{"127.0.0.1", 502}) == Duration(0));
  const ModbusSource source(dialect_of(furnace_dialect(Framing::rtu)), from_seconds(0.010));
  CHECK(source.line().gap == from_seconds(0.010));  // the dialect states 5 ms
}

}  // namespace nightwell::modbus::test
