#include "thermometry/platinum.hpp"

#include <charconv>
#include <cmath>
#include <string>

namespace nightwell::thermometry {

namespace {

constexpr int most_iterations = 50;
constexpr double close_enough_c = 1e-12;

std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 9).ptr};
}

// R / R0 and its slope.
double ratio(const Platinum& p, double t) {
  const double below = t < 0 ? p.c_per_c4 * (t - 100) * t * t * t : 0;
  return 1 + p.a_per_c * t + p.b_per_c2 * t * t + below;
}
double ratio_slope(const Platinum& p, double t) {
  const double below = t < 0 ? p.c_per_c4 * (4 * t * t * t - 300 * t * t) : 0;
  return p.a_per_c + 2 * p.b_per_c2 * t + below;
}

Error beyond(const std::string& what) {
  return {Errc::out_of_range, "platinum thermometer",
          what + " is outside " + number(platinum_span.low_c) + " to " + number(platinum_span.high_c) + " °C", ""};
}

}  // namespace

Result<double> resistance_ohm(const Platinum& probe, double t_c) {
  if (!(t_c >= platinum_span.low_c && t_c <= platinum_span.high_c)) return beyond(number(t_c) + " °C");
  return probe.r0_ohm * ratio(probe, t_c);
}

Result<double> resistance_slope_ohm_per_k(const Platinum& probe, double t_c) {
  if (!(t_c >= platinum_span.low_c && t_c <= platinum_span.high_c)) return beyond(number(t_c) + " °C");
  return probe.r0_ohm * ratio_slope(probe, t_c);
}

Result<double> resistance_temperature_c(const Platinum& probe, double r_ohm) {
  const double w = r_ohm / probe.r0_ohm;
  if (!(w >= ratio(probe, platinum_span.low_c) && w <= ratio(probe, platinum_span.high_c)))
    return beyond(number(r_ohm) + " ohm");
  const double a = probe.a_per_c, b = probe.b_per_c2;
  const double root = a * a - 4 * b * (1 - w);
  // The form that also holds for B = 0; it starts Newton below 0 °C.
  double t_c = 2 * (w - 1) / (a + std::sqrt(root > 0 ? root : 0));
  if (w >= 1) return t_c;
  for (int i = 0; i < most_iterations; ++i) {
    const double move_c = (ratio(probe, t_c) - w) / ratio_slope(probe, t_c);
    t_c -= move_c;
    if (std::abs(move_c) <= close_enough_c) break;
  }
  return t_c;
}

}  // namespace nightwell::thermometry
