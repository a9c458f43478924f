// The shell with a source of the test's own, in one process: what the core decides is done, and nothing can hold up
// "off": not a call that hangs, not a driver that throws, not a daemon that talks nonsense.
#include "guardian/shell.hpp"

#include <algorithm>
#include <asio/local/connect_pair.hpp>
#include <asio/post.hpp>
#include <asio/read.hpp>
#include <asio/this_coro.hpp>
#include <asio/write.hpp>
#include <catch2/catch.hpp>
#include <functional>
#include <stdexcept>
#include <utility>

#include "instrument/awaitable.hpp"
#include "night.hpp"

using namespace nightwell;
using namespace nightwell::guardian;

namespace {

// Time that passes while the process does nothing: it was stopped, or its machine slept.
class JumpingClock final : public instrument::Clock {
 public:
  JumpingClock(asio::io_context& io, double speed) : steady_(io, speed) {}
  [[nodiscard]] Instant now() const override { return steady_.now() + ahead_; }
  [[nodiscard]] std::string utc() const override { return steady_.utc(); }
  [[nodiscard]] std::string utc_at(Instant at) const override { return steady_.utc_at(at - ahead_); }
  [[nodiscard]] double speed() const override { return steady_.speed(); }
  asio::awaitable<void> sleep_until(Instant at) override { return steady_.sleep_until(at - ahead_); }
  void jump(Duration length) { ahead_ += length; }

 private:
  instrument::RunClock steady_;
  Duration ahead_{};
};

class FakeSource final : public instrument::HeatSource {
 public:
  explicit FakeSource(asio::io_context& io) : hang_(io) {}

  asio::awaitable<Result<instrument::Identity>> identify() override {
    co_await answer("identify");
    instrument::Identity identity;
    identity.text = "test bath";
    if (silent) co_return no_answer();
    co_return identity;
  }
  asio::awaitable<Result<void>> set_target(double t_c) override {
    co_await answer("target " + std::to_string(static_cast<int>(t_c)));
    if (silent) co_return no_answer();
    target_c = t_c;
    if (const auto call = std::exchange(target_set, nullptr)) call();
    co_return Result<void>();
  }
  asio::awaitable<Result<double>> read_target() override {
    co_await answer("");
    if (silent) co_return no_answer();
    co_return target_c;
  }
  asio::awaitable<Result<double>> read_temperature() override {
    co_await answer("");
    if (silent) co_return no_answer();
    co_return temperature_c;
  }
  asio::awaitable<Result<void>> set_output(bool on) override {
    co_await answer(on ? "on" : "off");
    if (silent) co_return no_answer();
    output = on;
    co_return Result<void>();
  }
  asio::awaitable<Result<bool>> read_output() override {
    if (hangs) co_await hang();
    co_await answer("");
    if (silent) co_return no_answer();
    co_return output;
  }
  void close() override {
    ++closed;
    hang_.cancel();
  }

  double target_c = 25;
  double temperature_c = 22;
  bool output = false;
  bool silent = false;
  bool hangs = false;   // read_output does not end by itself
  bool deaf = false;    // … nor by cancellation, only by close()
  bool throws = false;  // every call
  int closed = 0;
  std::vector<std::string> heard;
  std::function<void()> target_set;  // called once

 private:
  static Error no_answer() { return Error{Errc::no_answer, "test", "silent", ""}; }

  asio::awaitable<void> answer(std::string what) {
    if (!what.empty()) heard.push_back(std::move(what));
    if (throws) throw std::runtime_error("the driver's bug");
    co_return;
  }

  asio::awaitable<void> hang() {
    if (deaf) co_await asio::this_coro::reset_cancellation_state(asio::disable_cancellation());
    hang_.expires_at(asio::steady_timer::time_point::max());
    co_await hang_.async_wait(instrument::use_tuple);
    hangs = false;
  }

  asio::steady_timer hang_;
};

// A guardian in this process, and the daemon's end of its socket.
class Bench {
 public:
  Bench() : clock(io, 20), source(io), daemon(io) {
    limits = guardian::test::cold_store_limits();
    limits.stale = from_seconds(25);
  }
  ~Bench() {
    // Whatever a test left open ends in a proved park, so that no call outlives what it refers to.
    source.silent = source.throws = false;
    asio::error_code ignored;
    daemon.close(ignored);
    run_until([this] { return code.has_value(); });
    while (io.poll() != 0) {
    }
  }

  void start() {
    asio::local::stream_protocol::socket theirs(io);
    asio::local::connect_pair(daemon, theirs);
    ShellSettings settings;
    settings.limits = limits;
    settings.longest_call = std::chrono::seconds(2);
    settings.patience = std::chrono::milliseconds(50);
    settings.signals = false;
    shell.emplace(io, clock, source, log, std::move(theirs), settings, [this](int with) { code = with; });
    shell->start();
    listen();
  }

  template <class Done>
  bool run_until(Done done) {
    const auto late = std::chrono::steady_clock::now() + std::chrono::seconds(60);
    while (!done() && std::chrono::steady_clock::now() < late) {
      io.restart();
      io.run_one_for(std::chrono::milliseconds(20));
    }
    return done();
  }

  void send(const std::string& bytes) {
    asio::error_code ignored;
    asio::write(daemon, asio::buffer(bytes), ignored);
  }
  void lease(double target_c = 80, bool output = true) {
    send(to_line(Request(LeaseRequested{target_c, output, 130, from_seconds(30)})));
  }

  template <class S>
  int count() const {
    int n = 0;
    for (const Said& s : said) n += std::holds_alternative<S>(s) ? 1 : 0;
    return n;
  }
  bool parked(bool confirmed) const {
    for (const Said& s : said)
      if (const auto* p = std::get_if<Parked>(&s); p && p->confirmed == confirmed) return true;
    return false;
  }
  bool to_heating() {
    start();
    if (!run_until([this] { return count<Opened>() == 1; })) return false;
    lease();
    return run_until([this] { return source.output; });
  }
  bool safe() const { return !source.output && source.target_c == 20; }
  bool heard_off() const { return std::find(source.heard.begin(), source.heard.end(), "off") != source.heard.end(); }

  asio::io_context io{1};
  JumpingClock clock;
  FakeSource source;
  Log log;
  asio::local::stream_protocol::socket daemon;
  Limits limits;
  std::optional<Shell> shell;
  std::optional<int> code;
  std::vector<Said> said;

 private:
  void listen() {
    daemon.async_read_some(asio::buffer(buffer_), [this](const asio::error_code& error, std::size_t size) {
      if (error) return;
      lines_.add(std::string_view(buffer_.data(), size));
      while (const auto line = lines_.next()) said.push_back(*parse_said(line->text));
      listen();
    });
  }
  std::array<char, 4096> buffer_{};
  LineBuffer lines_;
};

}  // namespace

TEST_CASE("A lease heats, the end of the socket parks and ends", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  CHECK(bench.source.heard == std::vector<std::string>{"identify", "target 80", "on"});
  CHECK(bench.run_until([&] { return bench.count<Status>() >= 2; }));
  bench.daemon.shutdown(asio::local::stream_protocol::socket::shutdown_send);
  CHECK(bench.run_until([&] { return bench.code.has_value(); }));
  CHECK(bench.code == 0);
  CHECK(bench.safe());
  CHECK(bench.source.closed == 1);
  CHECK(bench.run_until([&] { return bench.parked(true); }));  // the last words came through
}

TEST_CASE("A lease that is not renewed parks by the guardian's own clock", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.safe());
  CHECK_FALSE(bench.code);  // it stays, latched
  bench.lease();
  CHECK(bench.run_until([&] { return bench.count<Refused>() == 1; }));
  CHECK(bench.safe());
}

// Between any two of the loop's steps behind the setpoint the process may be stopped, for longer than its lease.
TEST_CASE("What was decided before the process was stopped does not heat afterwards", "[shell]") {
  int in_time = 0;  // "on" went out before
  for (int steps = 0; steps < 10; ++steps) {
    Bench bench;
    std::optional<std::size_t> heard_before;
    std::function<void(int)> stop_after = [&](int left) {
      if (left > 0) return asio::post(bench.io, [&stop_after, left] { stop_after(left - 1); });
      bench.clock.jump(from_seconds(31));
      heard_before = bench.source.heard.size();
    };
    bench.source.target_set = [&] { asio::post(bench.io, [&stop_after, steps] { stop_after(steps); }); };
    bench.start();
    REQUIRE(bench.run_until([&] { return bench.count<Opened>() == 1; }));
    bench.lease();
    REQUIRE(bench.run_until([&] { return bench.parked(true); }));
    REQUIRE(heard_before);
    const auto before = bench.source.heard.begin() + static_cast<std::ptrdiff_t>(*heard_before);
    in_time += static_cast<int>(std::count(bench.source.heard.begin(), before, "on"));
    INFO(steps << " steps of the loop behind the setpoint");
    CHECK(std::count(before, bench.source.heard.end(), "on") == 0);
    CHECK(bench.safe());
  }
  CHECK(in_time > 0);
  CHECK(in_time < 10);
}

TEST_CASE("Nonsense on the socket parks", "[shell]") {
  const std::string nonsense[] = {"garbage\n",
                                  "{}\n",
                                  std::string(200'000, 'x') + "\n",
                                  std::string("\0\xff\n", 3),
                                  to_line(Request(Setup{{}, {}, 1, ""})),
                                  "\n"};
  for (const std::string& line : nonsense) {
    Bench bench;
    REQUIRE(bench.to_heating());
    bench.send(line);
    CHECK(bench.run_until([&] { return bench.parked(true); }));
    CHECK(bench.safe());
  }
}

TEST_CASE("Half a line and the end of the socket is the end of the socket", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.send(R"({"v":1,"ask":"lease","target_c":100)");
  bench.daemon.close();
  CHECK(bench.run_until([&] { return bench.code == 0; }));
  CHECK(bench.safe());
}

TEST_CASE("A call that hangs cannot hold up off: it is cancelled", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.source.hangs = true;
  CHECK(bench.run_until([&] { return bench.count<Status>() >= 1 && bench.source.hangs; }));
  bench.send(to_line(Request(ParkRequested{"now"})));
  CHECK(bench.run_until([&] { return bench.heard_off(); }));
  CHECK(bench.source.closed == 0);
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.safe());
}

TEST_CASE("A call that hangs through cancellation is ended by closing the port", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.source.deaf = true;
  bench.source.hangs = true;
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.source.closed >= 1);
  CHECK(bench.safe());
}

TEST_CASE("A driver that throws is a source that fails", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.source.throws = true;
  CHECK(bench.run_until([&] { return bench.parked(false); }));
  CHECK(bench.heard_off());
  bench.source.throws = false;
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.safe());
}

TEST_CASE("A silent source is told off again and again, and each round is said", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.source.silent = true;
  CHECK(bench.run_until([&] { return bench.count<Parked>() >= 4; }));
  CHECK_FALSE(bench.parked(true));
  CHECK(std::count(bench.source.heard.begin(), bench.source.heard.end(), "off") >= 3);
  bench.source.silent = false;
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.safe());
}

TEST_CASE("An exception from the loop parks", "[shell]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.shell->broken("something nobody thought of");
  CHECK(bench.run_until([&] { return bench.parked(true); }));
  CHECK(bench.safe());
}

TEST_CASE("A daemon that never reads does not hold up the guardian", "[shell]") {
  Bench bench;
  bench.limits.lease = from_seconds(1e6);
  REQUIRE(bench.to_heating());
  // Refusals that nobody reads fill the socket; the guardian goes on hearing and obeys.
  asio::local::stream_protocol::socket& daemon = bench.daemon;
  daemon.cancel();
  const std::string refused = to_line(Request(LeaseRequested{6000, true, 6000, from_seconds(30)}));
  for (int i = 0; i < 20'000; ++i) {
    bench.send(refused);
    bench.io.restart();
    bench.io.poll();
  }
  bench.send(to_line(Request(ParkRequested{"now"})));
  CHECK(bench.run_until([&] { return bench.safe(); }));
}
