#include "thermometry/transmitter.hpp"

#include <cmath>
#include <string>

#include "thermometry/faults.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* doing = "current transmitter";
constexpr double ma_per_a = 1e3;
// As fractions of the span, with room for a round trip's last bit.
constexpr double lowest_part = -0.2 / 16 - 1e-12, highest_part = 1 + 0.5 / 16 + 1e-12;

double between(double low, double high, double part) {
  return low + part * (high - low);
}

Result<void> check(const CurrentTransmitter& t) {
  const double span_c = t.high_c - t.low_c, span_a = t.high_a - t.low_a;
  if (std::isfinite(span_c) && std::isfinite(span_a) && span_c != 0 && span_a != 0) return {};
  return bad_coefficients(doing, number(t.low_a) + " A at " + number(t.low_c) + " °C and " + number(t.high_a) +
                                     " A at " + number(t.high_c) + " °C do not make a line");
}

bool measures(double part) {
  return part >= lowest_part && part <= highest_part;
}

Result<double> part_at(const CurrentTransmitter& t, double t_c) {
  if (auto sound = check(t); !sound) return sound.error();
  const double part = (t_c - t.low_c) / (t.high_c - t.low_c);
  if (measures(part)) return part;
  return beyond(doing, t_c, between(t.low_c, t.high_c, lowest_part), between(t.low_c, t.high_c, highest_part), "°C");
}

}  // namespace

Result<double> transmitter_temperature_c(const CurrentTransmitter& transmitter, double current_a) {
  if (auto sound = check(transmitter); !sound) return sound.error();
  const double part = (current_a - transmitter.low_a) / (transmitter.high_a - transmitter.low_a);
  if (measures(part)) return between(transmitter.low_c, transmitter.high_c, part);
  Error out =
      beyond(doing, current_a * ma_per_a, between(transmitter.low_a, transmitter.high_a, lowest_part) * ma_per_a,
             between(transmitter.low_a, transmitter.high_a, highest_part) * ma_per_a, "mA");
  out.detail += ": a fault signal, or the loop is open or shorted";
  return out;
}

Result<double> transmitter_current_a(const CurrentTransmitter& transmitter, double t_c) {
  const auto part = part_at(transmitter, t_c);
  if (!part) return part;
  return between(transmitter.low_a, transmitter.high_a, *part);
}

Result<double> transmitter_slope_a_per_k(const CurrentTransmitter& transmitter, double t_c) {
  const auto part = part_at(transmitter, t_c);
  if (!part) return part;
  return (transmitter.high_a - transmitter.low_a) / (transmitter.high_c - transmitter.low_c);
}

}  // namespace nightwell::thermometry
