#include "thermometry/thermistor_polynomial.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "thermometry/faults.hpp"
#include "thermometry/polynomial.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* converting_thermistor = "thermistor";
constexpr double absolute_zero_c = -273.15;
constexpr double lowest_ohm = 0.01, highest_ohm = 1e9;  // no thermistor lies outside
constexpr double range_slack_k = 1e-9;  // a round trip's last bits must not fall off the end of the range
// A thermistor has a hundredth and more. Below this the last bit of a resistance is no longer a nanokelvin.
constexpr double smallest_relative_slope_per_k = 1e-6;
// After a Newton step this small the next one would be its square: below the last bit.
constexpr double last_ln_step = 1e-9;
constexpr int most_solving_steps = 100;

using Coefficients = std::span<const double>;

double reciprocal_k(double t_c) {
  return 1 / (t_c - absolute_zero_c);
}

// In long double: coefficients of a high degree over a narrow range are thousands of times their sum.
ValueAndSlope at(Coefficients c, double ln_r) {
  return polynomial<long double>(c, ln_r);
}

// Where the polynomial is `wanted`, which lies between its values at `low` and `high`; it does not turn between them.
double place_of(Coefficients c, double wanted, double low, double high) {
  const bool rises = at(c, high).value > at(c, low).value;
  double x = (low + high) / 2;
  for (int i = 0; i < most_solving_steps; ++i) {
    const ValueAndSlope here = at(c, x);
    ((here.value > wanted) == rises ? high : low) = x;
    const double newton = x - (here.value - wanted) / here.slope;
    const double next = newton >= low && newton <= high ? newton : (low + high) / 2;
    const double step = std::abs(next - x);
    x = next;
    if (step <= last_ln_step) break;
  }
  return x;
}

// Where between `low` and `high` the polynomial changes its sign or touches 0, in order: between two neighbouring turns, which
// are the zeros of its slope, it has one zero or none.
std::vector<double> zeros_between(Coefficients c, double low, double high) {
  if (c.size() < 2) return {};
  std::vector<double> slope;
  for (std::size_t i = 1; i < c.size(); ++i) slope.push_back(static_cast<double>(i) * c[i]);
  std::vector<double> ends = zeros_between(slope, low, high);
  ends.push_back(high);
  std::vector<double> out;
  for (const double end : ends) {
    if ((at(c, low).value > 0) != (at(c, end).value > 0)) out.push_back(place_of(c, 0, low, end));
    low = end;
  }
  return out;
}

Error no_branch(const ThermistorPolynomial& t, const char* found) {
  return bad_coefficients(converting_thermistor, std::string("its polynomial has ") + found +
                                                     " of resistances that falls all the way from " + number(t.low_c) +
                                                     " to " + number(t.high_c) + " °C");
}

Result<void> check_form(const ThermistorPolynomial& t) {
  if (!(t.low_c < t.high_c && t.low_c > absolute_zero_c))
    return bad_coefficients(converting_thermistor,
                            "its range is " + number(t.low_c) + " to " + number(t.high_c) + " °C");
  const std::size_t count = t.coefficients.size();
  if (count < lowest_thermistor_degree + 1 || count > highest_thermistor_degree + 1)
    return bad_coefficients(converting_thermistor,
                            "its polynomial has " + std::to_string(count) + " coefficients, not 2 to 6");
  if (!std::all_of(t.coefficients.begin(), t.coefficients.end(), [](double a) { return std::isfinite(a); }))
    return bad_coefficients(converting_thermistor, "a coefficient is not a finite number");
  return {};
}

// The stretch of ln R over which 1/T rises through the whole range.
struct Branch {
  double low = 0, high = 0;
};
Result<Branch> branch_of(const ThermistorPolynomial& t) {
  if (auto sound = check_form(t); !sound) return sound.error();
  const Coefficients c(t.coefficients);
  std::vector<double> slope;
  for (std::size_t i = 1; i < c.size(); ++i) slope.push_back(static_cast<double>(i) * c[i]);
  double low = std::log(lowest_ohm);
  std::vector<double> ends = zeros_between(slope, low, std::log(highest_ohm));
  ends.push_back(std::log(highest_ohm));
  std::optional<Branch> found;
  for (const double end : ends) {
    if (at(c, low).value <= reciprocal_k(t.high_c) && at(c, end).value >= reciprocal_k(t.low_c)) {
      if (found) return no_branch(t, "more than one stretch");
      found = Branch{low, end};
    }
    low = end;
  }
  if (!found) return no_branch(t, "no stretch");
  return *found;
}

double ln_resistance_at(const ThermistorPolynomial& t, const Branch& branch, double t_c) {
  return place_of(t.coefficients, reciprocal_k(t_c), branch.low, branch.high);
}

Result<double> ln_resistance_of(const ThermistorPolynomial& t, double t_c) {
  const auto branch = branch_of(t);
  if (!branch) return branch.error();
  if (!(t_c >= t.low_c && t_c <= t.high_c)) return beyond(converting_thermistor, t_c, t.low_c, t.high_c, "°C");
  return ln_resistance_at(t, *branch, t_c);
}

}  // namespace

Result<double> thermistor_temperature_c(const ThermistorPolynomial& thermistor, double r_ohm) {
  const auto branch = branch_of(thermistor);
  if (!branch) return branch.error();
  const double ln_r = r_ohm > 0 ? std::log(r_ohm) : -HUGE_VAL;
  const bool on_branch = ln_r >= branch->low && ln_r <= branch->high;
  const double t_c = on_branch ? 1 / at(thermistor.coefficients, ln_r).value + absolute_zero_c : HUGE_VAL;
  if (!(t_c >= thermistor.low_c - range_slack_k && t_c <= thermistor.high_c + range_slack_k))
    return beyond(converting_thermistor, r_ohm, std::exp(ln_resistance_at(thermistor, *branch, thermistor.high_c)),
                  std::exp(ln_resistance_at(thermistor, *branch, thermistor.low_c)), "ohm");
  return std::clamp(t_c, thermistor.low_c, thermistor.high_c);
}

Result<double> thermistor_resistance_ohm(const ThermistorPolynomial& thermistor, double t_c) {
  const auto ln_r = ln_resistance_of(thermistor, t_c);
  if (!ln_r) return ln_r.error();
  return std::exp(*ln_r);
}

Result<double> thermistor_slope_ohm_per_k(const ThermistorPolynomial& thermistor, double t_c) {
  const auto ln_r = ln_resistance_of(thermistor, t_c);
  if (!ln_r) return ln_r.error();
  const double t_k = t_c - absolute_zero_c;
  const double per_ln_ohm = at(thermistor.coefficients, *ln_r).slope;
  if (!(per_ln_ohm > 0)) return no_branch(thermistor, "no stretch");  // it turns at the very end of the range
  const double relative_per_k = 1 / (t_k * t_k * per_ln_ohm);
  if (!(relative_per_k > smallest_relative_slope_per_k))
    return bad_coefficients(
        converting_thermistor,
        "by its polynomial the resistance hardly changes with temperature near " + number(t_c) + " °C");
  return -std::exp(*ln_r) * relative_per_k;
}

}  // namespace nightwell::thermometry
