#include "instrument/clock.hpp"

#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <catch2/catch.hpp>

namespace nightwell::instrument {

namespace {

bool looks_like_utc(const std::string& text) {
  const std::string pattern = "0000-00-00T00:00:00.000000Z";
  if (text.size() != pattern.size()) return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool digit = text[i] >= '0' && text[i] <= '9';
    if (pattern[i] == '0' ? !digit : text[i] != pattern[i]) return false;
  }
  return true;
}

asio::awaitable<void> sleep_to(Clock& clock, Instant at, Instant& woke) {
  co_await clock.sleep_until(at);
  woke = clock.now();
}

}  // namespace

TEST_CASE("the clock's labels are RFC 3339 in UTC with microseconds") {
  asio::io_context io{1};
  const RunClock real(io, 1), fast(io, 1000);
  CHECK(looks_like_utc(real.utc()));
  CHECK(looks_like_utc(fast.utc()));
  CHECK(looks_like_utc(fast.utc_at(Instant{from_seconds(86400.0 * 400)})));
}

TEST_CASE("labels of a scaled night move with its own time") {
  asio::io_context io{1};
  const RunClock clock(io, 1000);
  const std::string start = clock.utc_at(Instant{});
  CHECK(clock.utc_at(Instant{from_seconds(0)}) == start);
  CHECK(clock.utc_at(Instant{from_seconds(86400)}).substr(11) == start.substr(11));
  CHECK(clock.utc_at(Instant{from_seconds(0.000001)}) != start);
}

TEST_CASE("a sleep never ends before its time, whatever the speed") {
  for (const double speed : {1.0, 7.3, 1000.0, 100000.0}) {
    asio::io_context io{1};
    RunClock clock(io, speed);
    const Instant at = clock.now() + from_seconds(0.02 * speed);
    Instant woke;
    asio::co_spawn(io, sleep_to(clock, at, woke), asio::detached);
    io.run();
    CHECK(woke >= at);
  }
}

TEST_CASE("a moment that has passed is not waited for") {
  asio::io_context io{1};
  RunClock clock(io, 1);
  Instant woke;
  asio::co_spawn(io, sleep_to(clock, Instant{}, woke), asio::detached);
  CHECK(io.run() > 0);
  CHECK(woke >= Instant{});
}

}  // namespace nightwell::instrument
