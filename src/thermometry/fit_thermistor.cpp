// Steinhart–Hart: 1/T = a + b ln R + c (ln R)³ is linear in a, b and c.
#include <cmath>

#include "thermometry/faults.hpp"
#include "thermometry/fitting.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* fitting_thermistor = "fit of a thermistor";
constexpr double ice_point_k = 273.15;

// Rows for the slope d(1/T)/d(ln R) that a thermistor of these coefficients has.
fitting::Rows thermistor_rows(std::span<const FitPoint> points, double b, double c) {
  fitting::Rows rows(3);
  for (const FitPoint& point : points) {
    const double t_k = point.t_c + ice_point_k, l = std::log(point.raw);
    const double of_t = point.u_k / (t_k * t_k);
    const double of_r = point.u_raw / point.raw * (b + 3 * c * l * l);
    // y = 1/T of the reference: where the sensor would show a higher temperature than the reference, y - fit is positive.
    rows.add(std::vector{1.0, l, l * l * l}, 1 / t_k, std::hypot(of_t, of_r), 1 / (t_k * t_k));
  }
  return rows;
}

}  // namespace

Result<SensorFit> fit_thermistor(std::span<const FitPoint> points, WantedRange wanted) {
  if (auto sound = fitting::check(points, fitting_thermistor); !sound) return sound.error();
  for (const FitPoint& point : points)
    if (!(point.raw > 0 && point.t_c > -ice_point_k))
      return Error{Errc::bad_input, fitting_thermistor,
                   number(point.raw) + " ohm at " + number(point.t_c) + " °C is no point of a thermistor", ""};
  // The weights need the slope, which needs the fit; a material constant of 3500 K starts it, and two rounds are enough,
  // since weights matter in the second order only.
  double b = 1.0 / 3500, c = 0;
  auto rows = thermistor_rows(points, b, c);
  auto fit = least_squares(rows.problem);
  for (int round = 0; round < 2 && fit; ++round) {
    b = fit->coefficients[1], c = fit->coefficients[2];
    rows = thermistor_rows(points, b, c);
    fit = least_squares(rows.problem);
  }
  if (!fit) return fit.error();

  SensorFit out = fitting::assembled(*fit, rows, fitting::range_of(points), wanted);
  const TemperatureSpan range = wanted.value_or(out.range);
  out.coefficients = fit->coefficients;
  out.model = Thermistor{out.coefficients[0], out.coefficients[1], out.coefficients[2], range.low_c, range.high_c};
  out.covariance = fit->covariance;
  out.covariance_by_residuals = fit->covariance_by_residuals;
  return fitting::usable(std::move(out));
}

}  // namespace nightwell::thermometry
