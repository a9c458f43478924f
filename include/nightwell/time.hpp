// Time as the run knows it: whole microseconds of monotonic time since the run opened, so that a time written to
// the journal (six decimals of a second) and read back is the same time, and decisions replay exactly.
#pragma once

#include <chrono>
#include <cmath>
#include <cstdint>

namespace nightwell {

using Duration = std::chrono::microseconds;

// A moment of the run: microseconds since it opened. Ordered; differences are Durations.
struct Instant {
  Duration since_open{0};

  friend constexpr auto operator<=>(const Instant&, const Instant&) = default;
  friend constexpr Instant operator+(Instant at, Duration d) { return {at.since_open + d}; }
  friend constexpr Instant operator-(Instant at, Duration d) { return {at.since_open - d}; }
  friend constexpr Duration operator-(Instant a, Instant b) { return a.since_open - b.since_open; }
};

[[nodiscard]] constexpr double to_seconds(Duration d) {
  return static_cast<double>(d.count()) / 1e6;
}
[[nodiscard]] inline Duration from_seconds(double s) {
  return Duration{std::llround(s * 1e6)};
}
[[nodiscard]] constexpr double up_s(Instant at) {
  return to_seconds(at.since_open);
}

}  // namespace nightwell
