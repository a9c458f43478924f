// What wire logs cannot say: overlapping, cancelled and closed calls, echoes that a driver states, gaps, messages cut
// off half-way, and what a reading costs.
#include <asio/bind_cancellation_slot.hpp>
#include <asio/cancellation_signal.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/steady_timer.hpp>
#include <catch2/catch.hpp>
#include <memory>
#include <optional>

#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"
#include "fake_line.hpp"
#include "instrument/awaitable.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "instrument/open_port.hpp"
#include "quick.hpp"
#include "run_until.hpp"

namespace nightwell::instrument::test {

namespace {

constexpr const char* identity_text = "SEEDBANK,SCAN-A,S01,1.0";

// An instrument that answers by rule: 100 + address / 1000 for every reading.
struct Obliging {
  explicit Obliging(FakeLine& its_line) : line(its_line) {}
  FakeLine& line;
  bool echoes = false;
  bool mute = false;
  int lost_errors = 0;  // so many questions after its error queue it leaves unanswered
  int readings = 0;
  std::vector<std::string> heard;

  std::string answer(const std::string& message) {
    heard.push_back(message);
    if (message == "*IDN?\n") return std::string(identity_text) + "\n";
    if (message == "SYSTem:ERRor?\n") return lost_errors-- > 0 ? "" : "0,\"No error\"\n";
    if (message.find('?') == std::string::npos || mute) return "";
    ++readings;
    return "+1.00" + message.substr(message.find('@') + 1, 3) + "E+02\n";
  }
};

asio::awaitable<void> serve(Obliging& instrument) {
  for (;;) {
    const std::string message = co_await instrument.line.receive();
    if (message.empty()) co_return;
    std::string reply = instrument.echoes ? message : std::string();
    reply += instrument.answer(message);
    if (!reply.empty()) co_await instrument.line.send(std::move(reply));
  }
}

ConnectionSettings settings_for(const FakeLine& line, int reply_ms = 2000) {
  ConnectionSettings settings;
  settings.name = "scan";
  settings.port = line.port();
  settings.reply = std::chrono::milliseconds(reply_ms);
  return settings;
}

ChannelSetup channel(int address) {
  ChannelSetup setup;
  setup.address = address;
  return setup;
}

asio::awaitable<void> identify_into(Scanner& scanner, std::optional<Result<Identity>>& result) {
  result = co_await scanner.identify();
}

asio::awaitable<void> read_into(Scanner& scanner, ChannelSetup setup, std::optional<Result<Reading>>& result) {
  result = co_await scanner.read(setup);
}

asio::awaitable<void> identify_source_into(HeatSource& source, std::optional<Result<Identity>>& result) {
  result = co_await source.identify();
}

asio::awaitable<void> read_temperature_into(HeatSource& source, std::optional<Result<double>>& result) {
  result = co_await source.read_temperature();
}

asio::awaitable<void> switch_off_into(HeatSource& source, std::optional<Result<void>>& result) {
  result = co_await source.set_output(false);
}

asio::awaitable<void> open_link_into(LineLink& link, std::optional<Result<void>>& result) {
  result = co_await link.open();
}

asio::awaitable<void> open_port_into(std::shared_ptr<OpenPort> port, std::optional<Result<void>>& result) {
  result = co_await port->open(std::chrono::steady_clock::now() + std::chrono::seconds(2));
}

asio::awaitable<void> send_into(LineLink& link, std::string bytes, std::optional<Result<void>>& result) {
  result = co_await link.send(bytes);
}

asio::awaitable<void> receive_into(FakeLine& line, std::string& message) {
  message = co_await line.receive();
}

template <class Codec = Quick<drivers::ScpiScanner>>
struct Bench {
  explicit Bench(LineKind kind = LineKind::pty, int reply_ms = 2000)
      : line(io, kind), instrument(line), scanner(io, settings_for(line, reply_ms), std::make_unique<Codec>()) {
    asio::co_spawn(io, serve(instrument), asio::detached);
  }
  ~Bench() {
    scanner.close();
    line.close();
    io.restart();
    io.run_for(std::chrono::seconds(5));
  }
  template <class Done>
  void run_until(Done done) {
    REQUIRE(test::run_until(io, done));
  }
  Result<Identity> identify() {
    std::optional<Result<Identity>> result;
    asio::co_spawn(io, identify_into(scanner, result), asio::detached);
    run_until([&] { return result.has_value(); });
    return *result;
  }
  Result<Reading> read(int address) {
    std::optional<Result<Reading>> result;
    asio::co_spawn(io, read_into(scanner, channel(address), result), asio::detached);
    run_until([&] { return result.has_value(); });
    return *result;
  }

  asio::io_context io{1};
  FakeLine line;
  Obliging instrument;
  LineScanner scanner;
};

class Echoing final : public drivers::ScpiScanner {
 public:
  [[nodiscard]] LineSettings line() const override {
    LineSettings line = ScpiScanner::line();
    line.echoes = true;
    line.gap = Duration(2000);
    line.quiet = Duration(30'000);
    return line;
  }
};

}  // namespace

TEST_CASE("an instrument must be identified before it is read", "[link]") {
  Bench<> bench;
  const Result<Reading> early = bench.read(101);
  REQUIRE_FALSE(early.ok());
  CHECK(early.error().code == Errc::port_gone);
  CHECK(bench.instrument.heard.empty());
  REQUIRE(bench.identify().ok());
  const Result<Reading> reading = bench.read(101);
  REQUIRE(reading.ok());
  CHECK(reading->value == Approx(100.101));
  CHECK(reading->text == "+1.00101E+02");
  CHECK_FALSE(reading->odd);
  CHECK(bench.scanner.asked_again() == 0);
}

TEST_CASE("errors say what was done, to whom and where", "[link]") {
  Bench<> bench(LineKind::pty, 80);
  REQUIRE(bench.identify().ok());
  bench.instrument.mute = true;
  const Result<Reading> reading = bench.read(101);
  REQUIRE_FALSE(reading.ok());
  CHECK(reading.error().code == Errc::no_answer);
  CHECK(reading.error().doing == "reading a channel of scan, channel 101");
  CHECK(reading.error().where == port_name(bench.line.port()));
  CHECK(bench.instrument.readings == 0);
  CHECK(bench.scanner.asked_again() == 2);
}

TEST_CASE("a lost answer of the error queue does not cost the identity", "[link]") {
  Bench<> bench(LineKind::pty, 80);
  bench.instrument.lost_errors = GENERATE(1, 2);
  REQUIRE(bench.identify().ok());
  CHECK(bench.read(101).ok());
}

TEST_CASE("an instrument whose error queue stays silent is not identified", "[link]") {
  Bench<> bench(LineKind::pty, 80);
  bench.instrument.lost_errors = 100;
  const Result<Identity> identity = bench.identify();
  REQUIRE_FALSE(identity.ok());
  CHECK(identity.error().code == Errc::no_answer);
}

TEST_CASE("a second call while one is going on is refused and disturbs nothing", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  std::optional<Result<Reading>> first, second;
  asio::co_spawn(bench.io, read_into(bench.scanner, channel(101), first), asio::detached);
  asio::co_spawn(bench.io, read_into(bench.scanner, channel(102), second), asio::detached);
  bench.run_until([&] { return first && second; });
  REQUIRE_FALSE(second->ok());
  CHECK(second->error().code == Errc::unexpected);
  REQUIRE(first->ok());
  CHECK((*first)->value == Approx(100.101));
  CHECK(bench.read(103)->value == Approx(100.103));
}

TEST_CASE("close ends a pending call, which does not open the port again", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  bench.instrument.mute = true;
  std::optional<Result<Reading>> reading;
  asio::co_spawn(bench.io, read_into(bench.scanner, channel(101), reading), asio::detached);
  bench.io.restart();
  bench.io.poll();
  bench.scanner.close();
  bench.run_until([&] { return reading.has_value(); });
  REQUIRE_FALSE(reading->ok());
  CHECK(reading->error().code == Errc::port_gone);
  const Result<Reading> later = bench.read(101);
  REQUIRE_FALSE(later.ok());
  CHECK(later.error().code == Errc::port_gone);
  bench.instrument.mute = false;
  REQUIRE(bench.identify().ok());
  CHECK(bench.read(102).ok());
}

TEST_CASE("after a cancelled call its reply is not taken for the next one's", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  asio::cancellation_signal cancel;
  std::optional<Result<Reading>> reading;
  bool ended = false;
  bench.instrument.mute = true;
  asio::co_spawn(bench.io, read_into(bench.scanner, channel(101), reading),
                 asio::bind_cancellation_slot(cancel.slot(), [&](std::exception_ptr) { ended = true; }));
  bench.io.restart();
  bench.io.poll();
  cancel.emit(asio::cancellation_type::terminal);
  bench.run_until([&] { return ended; });
  if (reading) CHECK(reading->error().code == Errc::port_gone);

  bench.instrument.mute = false;
  std::string late = "+9.99999E+02\n";
  asio::co_spawn(bench.io, bench.line.send(std::move(late)), asio::detached);
  const Result<Reading> next = bench.read(102);
  REQUIRE(next.ok());
  CHECK(next->value == Approx(100.102));
}

TEST_CASE("a cancelled call leaves the port open: opening it anew could reset the instrument (fault 8)", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  asio::cancellation_signal cancel;
  std::optional<Result<Reading>> reading;
  bool ended = false;
  bench.instrument.mute = true;
  asio::co_spawn(bench.io, read_into(bench.scanner, channel(101), reading),
                 asio::bind_cancellation_slot(cancel.slot(), [&](std::exception_ptr) { ended = true; }));
  bench.io.restart();
  bench.io.poll();
  cancel.emit(asio::cancellation_type::terminal);
  bench.run_until([&] { return ended; });
  const auto other = std::make_shared<OpenPort>(bench.io, bench.line.port());
  std::optional<Result<void>> opened;
  asio::co_spawn(bench.io, open_port_into(other, opened), asio::detached);
  bench.run_until([&] { return opened.has_value(); });
  REQUIRE_FALSE(opened->ok());
  CHECK(opened->error().code == Errc::port_busy);
}

TEST_CASE("a pty that hung up is not opened again: its number may be a stranger's", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  bench.line.unplug_but_leave_the_name();
  FakeLine stranger(bench.io, LineKind::pty);  // most likely gets the number that has just become free
  const Result<Reading> reading = bench.read(101);
  REQUIRE_FALSE(reading.ok());
  CHECK(reading.error().code == Errc::port_gone);
  CHECK(reading.error().detail.find("hung up") != std::string::npos);
  bench.line.plug_in();  // a new link with the same name
  asio::co_spawn(bench.io, serve(bench.instrument), asio::detached);
  CHECK(bench.read(102).ok());
}

TEST_CASE("an echo that the driver states is consumed, and a gap is kept (fault 18)", "[link]") {
  Bench<Echoing> bench;
  bench.instrument.echoes = true;
  REQUIRE(bench.identify().ok());
  for (const int address : {101, 102, 103}) {
    const Result<Reading> reading = bench.read(address);
    REQUIRE(reading.ok());
    CHECK(reading->value == Approx(100 + address / 1000.0));
  }
  bench.instrument.echoes = false;  // a stated echo that does not come is no echo
  CHECK(bench.read(104).error().code == Errc::garbled);
}

TEST_CASE("the two instruments of a bench are read side by side", "[link]") {
  Bench<> pty(LineKind::pty), tcp(LineKind::tcp);
  REQUIRE(pty.identify().ok());
  REQUIRE(tcp.identify().ok());
  for (int i = 0; i < 50; ++i) {
    CHECK(pty.read(101).ok());
    CHECK(tcp.read(102).ok());
  }
}

TEST_CASE("heat off goes out while another call is still waiting for its reply", "[link]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);
  Obliging instrument(line);
  LineHeatSource source(io, settings_for(line, 600), std::make_unique<Quick<drivers::ScpiSource>>());
  asio::co_spawn(io, serve(instrument), asio::detached);
  std::optional<Result<Identity>> identity;
  asio::co_spawn(io, identify_source_into(source, identity), asio::detached);
  REQUIRE(run_until(io, [&] { return identity.has_value(); }));
  REQUIRE(identity->ok());

  instrument.mute = true;
  std::optional<Result<double>> temperature;
  std::optional<Result<void>> off;
  asio::co_spawn(io, read_temperature_into(source, temperature), asio::detached);
  asio::co_spawn(io, switch_off_into(source, off), asio::detached);
  REQUIRE(run_until(io, [&] { return off.has_value(); }));
  REQUIRE_FALSE(off->ok());
  CHECK(off->error().code == Errc::unexpected);
  REQUIRE(run_until(io, [&] { return instrument.heard.back() == "OUTPut:STATe OFF\n"; }));
  CHECK_FALSE(temperature.has_value());
  REQUIRE(run_until(io, [&] { return temperature.has_value(); }));
  off.reset();
  asio::co_spawn(io, switch_off_into(source, off), asio::detached);
  REQUIRE(run_until(io, [&] { return off.has_value(); }));
  CHECK(off->ok());
  source.close();
  line.close();
  io.restart();
  io.run_for(std::chrono::seconds(5));
}

TEST_CASE("a message cut off half-way is spoiled before the next one, never obeyed", "[link]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);
  LineLink link(io, line.port(), Quick<drivers::ScpiSource>().line(), Duration(100'000));
  std::optional<Result<void>> done;
  asio::co_spawn(io, open_link_into(link, done), asio::detached);
  REQUIRE(run_until(io, [&] { return done.has_value(); }));
  REQUIRE(done->ok());

  done.reset();  // nobody reads: the line takes a part of this and no more
  std::string setting = "SOURce:TEMPerature:SPOint 1" + std::string(40'000, '2') + "\n";
  asio::co_spawn(io, send_into(link, std::move(setting), done), asio::detached);
  REQUIRE(run_until(io, [&] { return done.has_value(); }));
  CHECK(done->error().code == Errc::no_answer);

  done.reset();
  std::string first, second;
  asio::co_spawn(io, send_into(link, "OUTPut:STATe OFF\n", done), asio::detached);
  asio::co_spawn(io, receive_into(line, first), asio::detached);
  REQUIRE(run_until(io, [&] { return !first.empty() && done; }));
  CHECK(done->ok());
  CHECK(first.substr(first.size() - 2) == "*\n");
  asio::co_spawn(io, receive_into(line, second), asio::detached);
  REQUIRE(run_until(io, [&] { return !second.empty(); }));
  CHECK(second == "OUTPut:STATe OFF\n");
  link.close();
}

TEST_CASE("a reading sends one message and nothing else", "[link]") {
  Bench<> bench;
  REQUIRE(bench.identify().ok());
  const std::size_t before = bench.instrument.heard.size();
  for (int i = 0; i < 100; ++i) REQUIRE(bench.read(101).ok());
  CHECK(bench.instrument.heard.size() == before + 100);
}

}  // namespace nightwell::instrument::test
