// Callendar–Van Dusen. R = R0 (1 + B t² + C (t-100) t³) + (R0 A) t, and so on, is linear in R0, R0 A, R0 B and R0 C; a
// coefficient that is held moves into the column of R0.
#include <algorithm>

#include "thermometry/fitting.hpp"
#include "thermometry/platinum.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* fitting_platinum = "fit of a platinum thermometer";

// Ohm per kelvin of a thermometer that has this resistance there and otherwise follows the standard.
Result<double> nominal_slope(const FitPoint& point) {
  Platinum nominal{1};
  const auto ratio = resistance_ohm(nominal, point.t_c);
  if (!ratio) return ratio;
  nominal.r0_ohm = point.raw / *ratio;
  return resistance_slope_ohm_per_k(nominal, point.t_c);
}

// From R0, R0 A … to R0, A …: d(R0 A / R0).
std::vector<std::vector<double>> platinum_jacobian(const Platinum& p, const PlatinumFitOptions& options,
                                                   std::size_t fitted) {
  std::vector<std::vector<double>> out(4, std::vector<double>(fitted, 0.0));
  const auto divided = [&](std::size_t row, std::size_t column, double value) {
    out[row][0] = -value / p.r0_ohm;
    out[row][column] = 1 / p.r0_ohm;
  };
  out[0][0] = 1;
  divided(1, 1, p.a_per_c);
  if (options.fit_b) divided(2, 2, p.b_per_c2);
  if (options.fit_c) divided(3, fitted - 1, p.c_per_c4);
  return out;
}

}  // namespace

Result<SensorFit> fit_platinum(std::span<const FitPoint> points, const PlatinumFitOptions& options,
                               WantedRange wanted) {
  if (auto sound = fitting::check(points, fitting_platinum); !sound) return sound.error();
  const bool below_zero = std::any_of(points.begin(), points.end(), [](const auto& p) { return p.t_c < 0; });
  if (options.fit_c && !below_zero)
    return Error{Errc::bad_input, fitting_platinum, "C was asked for, and no point lies below 0 °C; hold C or add one",
                 ""};

  fitting::Rows rows(2u + options.fit_b + options.fit_c);
  for (const FitPoint& point : points) {
    const auto slope = nominal_slope(point);
    if (!slope) return slope.error();
    const double t = point.t_c, quartic = t < 0 ? (t - 100) * t * t * t : 0;
    std::vector<double> row{1, t};
    if (options.fit_b)
      row.push_back(t * t);
    else
      row[0] += options.held.b_per_c2 * t * t;
    if (options.fit_c)
      row.push_back(quartic);
    else
      row[0] += options.held.c_per_c4 * quartic;
    rows.add(row, point.raw, fitting::combined(point.u_raw, point.u_k, *slope), *slope);
  }
  const auto fit = least_squares(rows.problem);
  if (!fit) return fit.error();

  const auto& c = fit->coefficients;
  Platinum found = options.held;
  found.r0_ohm = c[0];
  found.a_per_c = c[1] / c[0];
  if (options.fit_b) found.b_per_c2 = c[2] / c[0];
  if (options.fit_c) found.c_per_c4 = c.back() / c[0];

  SensorFit out = fitting::assembled(*fit, rows, fitting::range_of(points), wanted);
  out.model = found;
  out.coefficients = fitting::coefficients(out.model);
  const auto jacobian = platinum_jacobian(found, options, c.size());
  out.covariance = fitting::propagated(fit->covariance, jacobian);
  if (fit->covariance_by_residuals)
    out.covariance_by_residuals = fitting::propagated(*fit->covariance_by_residuals, jacobian);
  return fitting::usable(std::move(out));
}

}  // namespace nightwell::thermometry
