// One wake-up in run time: set it again and only the newest moment counts.
#pragma once

#include <algorithm>
#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <functional>
#include <utility>

#include "instrument/clock.hpp"

namespace nightwell::daemon {

class Alarm {
 public:
  Alarm(asio::io_context& io, const instrument::Clock& clock, std::function<void()> ring)
      : clock_(clock), timer_(io), ring_(std::move(ring)) {}

  void set(Instant at) {
    const double left_s = std::max(0.0, to_seconds(at - clock_.now()) / clock_.speed());
    timer_.expires_after(
        std::chrono::duration_cast<std::chrono::steady_clock::duration>(std::chrono::duration<double>(left_s)));
    timer_.async_wait([this](const asio::error_code& error) {
      if (!error) ring_();
    });
  }
  void cancel() { timer_.cancel(); }

 private:
  const instrument::Clock& clock_;
  asio::steady_timer timer_;
  std::function<void()> ring_;
};

}  // namespace nightwell::daemon
