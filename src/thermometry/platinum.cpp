#include "thermometry/platinum.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include "thermometry/faults.hpp"
#include "thermometry/polynomial.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* doing = "platinum thermometer";
constexpr double end_slack = 1e-12;   // of R / R0: a round trip's last bit must not fall off the end of the range
constexpr double last_step_c = 1e-7;  // Newton's next step would be its square: below the last bit
constexpr int most_iterations = 50;

// R / R0 and its slope.
ValueAndSlope ratio(const Platinum& p, double t) {
  ValueAndSlope out{1 + t * (p.a_per_c + t * p.b_per_c2), p.a_per_c + 2 * p.b_per_c2 * t};
  if (t < 0) {
    out.value += p.c_per_c4 * (t - 100) * t * t * t;
    out.slope += p.c_per_c4 * (4 * t - 300) * t * t;
  }
  return out;
}

// The slope above 0 °C is a line, and below it bends one way only for coefficients near those of platinum; so the ends
// and the middle stand for the whole range.
Result<void> check(const Platinum& p) {
  if (!(p.r0_ohm > 0 && std::isfinite(p.r0_ohm)))
    return bad_coefficients(doing, "R0 is " + number(p.r0_ohm) + " ohm and must be greater than 0");
  for (const double t_c : {platinum_span.low_c, platinum_span.low_c / 2, 0.0, platinum_span.high_c})
    if (!(ratio(p, t_c).slope > 0))
      return bad_coefficients(doing,
                              "its A, B and C make the resistance fall with temperature near " + number(t_c) + " °C");
  return {};
}

Result<ValueAndSlope> ratio_in_range(const Platinum& probe, double t_c) {
  if (auto sound = check(probe); !sound) return sound.error();
  if (!(t_c >= platinum_span.low_c && t_c <= platinum_span.high_c))
    return beyond(doing, t_c, platinum_span.low_c, platinum_span.high_c, "°C");
  return ratio(probe, t_c);
}

// 1 + A t + B t² = w, in the form that also holds for B = 0.
double root_of_quadratic_c(const Platinum& p, double w) {
  const double square = p.a_per_c * p.a_per_c - 4 * p.b_per_c2 * (1 - w);
  return 2 * (w - 1) / (p.a_per_c + std::sqrt(std::max(square, 0.0)));
}

}  // namespace

Result<double> resistance_ohm(const Platinum& probe, double t_c) {
  const auto at = ratio_in_range(probe, t_c);
  if (!at) return at.error();
  return probe.r0_ohm * at->value;
}

Result<double> resistance_slope_ohm_per_k(const Platinum& probe, double t_c) {
  const auto at = ratio_in_range(probe, t_c);
  if (!at) return at.error();
  return probe.r0_ohm * at->slope;
}

Result<double> resistance_temperature_c(const Platinum& probe, double r_ohm) {
  if (auto sound = check(probe); !sound) return sound.error();
  const double lowest = ratio(probe, platinum_span.low_c).value, highest = ratio(probe, platinum_span.high_c).value;
  double w = r_ohm / probe.r0_ohm;
  if (!(w >= lowest - end_slack && w <= highest + end_slack))
    return beyond(doing, r_ohm, probe.r0_ohm * lowest, probe.r0_ohm * highest, "ohm");
  w = std::clamp(w, lowest, highest);

  double t_c = root_of_quadratic_c(probe, w);
  if (w >= 1) return std::min(t_c, platinum_span.high_c);
  for (int i = 0; i < most_iterations; ++i) {
    const ValueAndSlope at = ratio(probe, t_c);
    const double step_c = (at.value - w) / at.slope;
    t_c -= step_c;
    if (std::abs(step_c) <= last_step_c) return std::max(t_c, platinum_span.low_c);
  }
  return Error{Errc::unexpected, doing, "no temperature found for " + number(r_ohm) + " ohm", ""};
}

}  // namespace nightwell::thermometry
