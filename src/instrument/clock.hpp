// The run's clock: real, or scaled so that a night passes in a minute. Everything a run decides uses it;
// deadlines on the wire do not (a reply takes real time, however fast the night goes).
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <string>

#include "nightwell/time.hpp"

namespace nightwell::instrument {

class Clock {
 public:
  virtual ~Clock() = default;
  [[nodiscard]] virtual Instant now() const = 0;
  // RFC 3339, microseconds, Z. A label.
  [[nodiscard]] virtual std::string utc() const = 0;
  [[nodiscard]] virtual std::string utc_at(Instant at) const = 0;
  [[nodiscard]] virtual double speed() const = 0;
  // Returns at `at` or a little later; at once where it has passed. Cancellation: throws asio's
  // operation_aborted.
  virtual asio::awaitable<void> sleep_until(Instant at) = 0;
};

// Monotonic time since construction, times `speed` (1 = real).
class RunClock final : public Clock {
 public:
  RunClock(asio::io_context& io, double speed);
  [[nodiscard]] Instant now() const override;
  [[nodiscard]] std::string utc() const override;
  [[nodiscard]] std::string utc_at(Instant at) const override;
  [[nodiscard]] double speed() const override { return speed_; }
  asio::awaitable<void> sleep_until(Instant at) override;

 private:
  asio::io_context& io_;
  double speed_;
  std::chrono::steady_clock::time_point opened_;
  std::chrono::system_clock::time_point opened_utc_;
};

}  // namespace nightwell::instrument
