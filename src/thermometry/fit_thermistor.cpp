// Thermistors: 1/T = a + b ln R + c (ln R)³, and the polynomial with every power, are linear in their coefficients.
#include <cmath>

#include "thermometry/faults.hpp"
#include "thermometry/fitting.hpp"
#include "thermometry/thermistor_polynomial.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* fitting_thermistor = "fit of a thermistor";
constexpr double ice_point_k = 273.15;

// The powers of ln R that have a coefficient.
using Powers = std::vector<int>;

// Rows for the slope d(1/T)/d(ln R) that a thermistor of these coefficients has.
fitting::Rows thermistor_rows(std::span<const FitPoint> points, const Powers& powers,
                              const std::vector<double>& coefficients) {
  fitting::Rows rows(powers.size());
  for (const FitPoint& point : points) {
    const double t_k = point.t_c + ice_point_k, l = std::log(point.raw);
    std::vector<double> row;
    double slope = 0;
    for (std::size_t i = 0; i < powers.size(); ++i) {
      row.push_back(std::pow(l, powers[i]));
      slope += coefficients[i] * powers[i] * std::pow(l, powers[i] - 1);
    }
    const double of_t = point.u_k / (t_k * t_k);
    const double of_r = point.u_raw / point.raw * slope;
    // y = 1/T of the reference: where the sensor would show a higher temperature than the reference, y - fit is positive.
    rows.add(row, 1 / t_k, std::hypot(of_t, of_r), 1 / (t_k * t_k));
  }
  return rows;
}

Result<void> check_thermistor_points(std::span<const FitPoint> points) {
  if (auto sound = fitting::check(points, fitting_thermistor); !sound) return sound.error();
  for (const FitPoint& point : points)
    if (!(point.raw > 0 && point.t_c > -ice_point_k))
      return Error{Errc::bad_input, fitting_thermistor,
                   number(point.raw) + " ohm at " + number(point.t_c) + " °C is no point of a thermistor", ""};
  return {};
}

// All of the fit but its model.
Result<SensorFit> fitted(std::span<const FitPoint> points, const Powers& powers, const WantedRange& wanted) {
  if (auto sound = check_thermistor_points(points); !sound) return sound.error();
  // The weights need the slope, which needs the fit; a material constant of 3500 K starts it, and two rounds are enough,
  // since weights matter in the second order only.
  std::vector<double> coefficients(powers.size(), 0.0);
  coefficients[1] = 1.0 / 3500;
  auto rows = thermistor_rows(points, powers, coefficients);
  auto fit = least_squares(rows.problem);
  for (int round = 0; round < 2 && fit; ++round) {
    rows = thermistor_rows(points, powers, fit->coefficients);
    fit = least_squares(rows.problem);
  }
  if (!fit) return fit.error();
  SensorFit out = fitting::assembled(*fit, rows, fitting::range_of(points), wanted);
  out.coefficients = fit->coefficients;
  out.covariance = fit->covariance;
  out.covariance_by_residuals = fit->covariance_by_residuals;
  return out;
}

}  // namespace

Result<SensorFit> fit_thermistor(std::span<const FitPoint> points, WantedRange wanted) {
  auto out = fitted(points, {0, 1, 3}, wanted);
  if (!out) return out.error();
  const TemperatureSpan range = wanted.value_or(out->range);
  out->model = Thermistor{out->coefficients[0], out->coefficients[1], out->coefficients[2], range.low_c, range.high_c};
  return fitting::usable(std::move(out).value());
}

Result<SensorFit> fit_thermistor_polynomial(std::span<const FitPoint> points, int degree, WantedRange wanted) {
  constexpr int lowest = lowest_thermistor_degree, highest = highest_thermistor_degree;
  if (degree < lowest || degree > highest)
    return Error{Errc::bad_input, fitting_thermistor,
                 "a polynomial of degree " + std::to_string(degree) + " was asked for; " + std::to_string(lowest) +
                     " to " + std::to_string(highest) + " can be",
                 ""};
  Powers powers;
  for (int power = 0; power <= degree; ++power) powers.push_back(power);
  auto out = fitted(points, powers, wanted);
  if (!out) return out.error();
  const TemperatureSpan range = wanted.value_or(out->range);
  out->model = ThermistorPolynomial{out->coefficients, range.low_c, range.high_c};
  auto usable = fitting::usable(std::move(out).value());
  // A polynomial that turns within the range is mended by the fit, not by a card.
  if (!usable)
    return Error{Errc::bad_input, fitting_thermistor,
                 "the polynomial of degree " + std::to_string(degree) +
                     " that suits the points best does not fall all the way from " + number(range.low_c) + " to " +
                     number(range.high_c) + " °C; ask for a lower degree, or measure over the whole of that range",
                 ""};
  return usable;
}

}  // namespace nightwell::thermometry
