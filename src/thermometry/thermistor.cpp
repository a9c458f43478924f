#include "thermometry/thermistor.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "thermometry/faults.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* doing = "thermistor";
constexpr double zero_c_k = 273.15;
constexpr double end_slack_k = 1e-9;  // a round trip's last bits must not fall off the end of the range

Error no_inverse(double t_c) {
  return bad_coefficients(doing, "its a, b and c give no falling resistance near " + number(t_c) + " °C");
}

// d(1/T) / d(ln R): above 0 where R falls with temperature.
double steepness(const Thermistor& t, double ln_r) {
  return t.b + 3 * t.c * ln_r * ln_r;
}

double temperature_k(const Thermistor& t, double ln_r) {
  return 1 / (t.a + ln_r * (t.b + t.c * ln_r * ln_r));
}

// The root y of c y³ + b y = z at which the left side rises, by the trigonometric form of Cardano: it loses no digits for
// small c. nullopt where there is none.
std::optional<double> rising_root(double b, double c, double z) {
  if (!(b > 0)) return std::nullopt;
  if (c == 0) return z / b;
  const double s = std::sqrt(b / (3 * std::abs(c)));
  const double argument = z / c / (2 * s * s * s);
  if (c > 0) return 2 * s * std::sinh(std::asinh(argument) / 3);
  if (!(std::abs(argument) < 1)) return std::nullopt;
  return -2 * s * std::sin(std::asin(argument) / 3);
}

std::optional<double> ln_resistance(const Thermistor& t, double t_c) {
  return rising_root(t.b, t.c, 1 / (t_c + zero_c_k) - t.a);
}

Result<void> check(const Thermistor& t) {
  if (!(t.low_c < t.high_c && t.low_c > -zero_c_k))
    return bad_coefficients(doing, "its range is " + number(t.low_c) + " to " + number(t.high_c) + " °C");
  return {};
}

struct Place {
  double t_k = 0, ln_r = 0;
};
Result<Place> place_at(const Thermistor& t, double t_c) {
  if (auto sound = check(t); !sound) return sound.error();
  if (!(t_c >= t.low_c && t_c <= t.high_c)) return beyond(doing, t_c, t.low_c, t.high_c, "°C");
  const auto ln_r = ln_resistance(t, t_c);
  if (!ln_r || !std::isfinite(*ln_r)) return no_inverse(t_c);
  return Place{t_c + zero_c_k, *ln_r};
}

}  // namespace

Result<double> thermistor_temperature_c(const Thermistor& thermistor, double r_ohm) {
  if (auto sound = check(thermistor); !sound) return sound.error();
  for (const double end_c : {thermistor.low_c, thermistor.high_c})
    if (!ln_resistance(thermistor, end_c)) return no_inverse(end_c);
  const double t_c = r_ohm > 0 ? temperature_k(thermistor, std::log(r_ohm)) - zero_c_k : HUGE_VAL;
  // Where the cubic falls it may pass through the range a second time; that is no reading of this thermistor.
  const bool falls = r_ohm > 0 && steepness(thermistor, std::log(r_ohm)) > 0;
  if (!(falls && t_c >= thermistor.low_c - end_slack_k && t_c <= thermistor.high_c + end_slack_k)) {
    const auto lowest = std::exp(*ln_resistance(thermistor, thermistor.high_c));
    const auto highest = std::exp(*ln_resistance(thermistor, thermistor.low_c));
    return beyond(doing, r_ohm, lowest, highest, "ohm");
  }
  return std::clamp(t_c, thermistor.low_c, thermistor.high_c);
}

Result<double> thermistor_resistance_ohm(const Thermistor& thermistor, double t_c) {
  const auto place = place_at(thermistor, t_c);
  if (!place) return place.error();
  return std::exp(place->ln_r);
}

Result<double> thermistor_slope_ohm_per_k(const Thermistor& thermistor, double t_c) {
  const auto place = place_at(thermistor, t_c);
  if (!place) return place.error();
  return -std::exp(place->ln_r) / (place->t_k * place->t_k * steepness(thermistor, place->ln_r));
}

}  // namespace nightwell::thermometry
