#include "instrument/clock.hpp"

#include <asio/steady_timer.hpp>
#include <asio/use_awaitable.hpp>
#include <cmath>

namespace nightwell::instrument {

namespace {

void put_digits(std::string& out, long value, int width) {
  std::string digits(static_cast<std::size_t>(width), '0');
  for (int i = width - 1; i >= 0; --i, value /= 10)
    digits[static_cast<std::size_t>(i)] = static_cast<char>('0' + value % 10);
  out += digits;
}

std::string rfc3339(std::chrono::system_clock::time_point at) {
  using namespace std::chrono;
  const auto microsecond = floor<microseconds>(at);
  const auto day = floor<days>(microsecond);
  const year_month_day date(day);
  const hh_mm_ss time(microsecond - day);
  std::string out;
  out.reserve(27);
  put_digits(out, static_cast<int>(date.year()), 4);
  out += '-';
  put_digits(out, static_cast<unsigned>(date.month()), 2);
  out += '-';
  put_digits(out, static_cast<unsigned>(date.day()), 2);
  out += 'T';
  put_digits(out, time.hours().count(), 2);
  out += ':';
  put_digits(out, time.minutes().count(), 2);
  out += ':';
  put_digits(out, time.seconds().count(), 2);
  out += '.';
  put_digits(out, time.subseconds().count(), 6);
  out += 'Z';
  return out;
}

}  // namespace

RunClock::RunClock(asio::io_context& io, double speed)
    : io_(io),
      speed_(speed),
      opened_(std::chrono::steady_clock::now()),
      opened_utc_(std::chrono::system_clock::now()) {}

Instant RunClock::now() const {
  const auto elapsed = std::chrono::steady_clock::now() - opened_;
  if (speed_ == 1) return {std::chrono::floor<Duration>(elapsed)};
  const double microseconds = std::chrono::duration<double, std::micro>(elapsed).count() * speed_;
  return {Duration{static_cast<Duration::rep>(microseconds)}};
}

std::string RunClock::utc() const {
  // At speed 1 the label follows the host's clock through its corrections; a scaled night has only its own
  // time.
  if (speed_ == 1) return rfc3339(std::chrono::system_clock::now());
  return utc_at(now());
}

std::string RunClock::utc_at(Instant at) const {
  if (speed_ == 1) return rfc3339(std::chrono::system_clock::now() + (at - now()));
  return rfc3339(opened_utc_ + at.since_open);
}

asio::awaitable<void> RunClock::sleep_until(Instant at) {
  asio::steady_timer timer(io_);
  while (now() < at) {  // the scaled time is rounded: look again before saying that the moment has come
    const double real_ns = std::ceil(static_cast<double>(at.since_open.count()) * 1000.0 / speed_);
    timer.expires_at(opened_ + std::chrono::nanoseconds(static_cast<std::int64_t>(real_ns)));
    co_await timer.async_wait(asio::use_awaitable);
  }
}

}  // namespace nightwell::instrument
