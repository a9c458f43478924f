// The deviation polynomial of a thermocouple.
#include <string>

#include "thermometry/fitting.hpp"
#include "thermometry/thermocouple.hpp"

namespace nightwell::thermometry {

Result<SensorFit> fit_thermocouple(ThermocoupleType type, std::span<const FitPoint> points, int degree,
                                   bool through_zero, WantedRange wanted) {
  constexpr double uv_per_v = 1e6;
  constexpr int highest_degree = 15;
  const std::string doing = std::string("fit of thermocouple type ") + letter(type);
  if (degree < (through_zero ? 1 : 0) || degree > highest_degree)
    return Error{Errc::bad_input, doing,
                 "a polynomial of degree " + std::to_string(degree) + " was asked for; " +
                     (through_zero ? "through zero, 1" : "0") + " to " + std::to_string(highest_degree) + " can be",
                 ""};
  if (auto sound = fitting::check(points, doing); !sound) return sound.error();

  const auto at_zero_v = emf_v(type, 0);
  if (!at_zero_v) return at_zero_v.error();
  const int first = through_zero ? 1 : 0;
  fitting::Rows rows(static_cast<std::size_t>(degree - first + 1));
  for (const FitPoint& point : points) {
    const auto reference_v = emf_v(type, point.t_c);
    const auto slope = seebeck_v_per_k(type, point.t_c);
    if (!reference_v) return reference_v.error();
    if (!slope) return slope.error();
    if (!(*slope > 0))
      return Error{
          Errc::out_of_range, doing,
          "at " + std::to_string(point.t_c) + " °C its emf does not rise with temperature; leave the point out", ""};
    std::vector<double> powers;
    for (double power = through_zero ? point.t_c : 1.0; static_cast<int>(powers.size()) <= degree - first;
         power *= point.t_c)
      powers.push_back(power);
    rows.add(powers, (point.raw - (*reference_v - *at_zero_v)) * uv_per_v,
             fitting::combined(point.u_raw, point.u_k, *slope) * uv_per_v, *slope * uv_per_v);
  }
  const auto fit = least_squares(rows.problem);
  if (!fit) return fit.error();

  SensorFit out = fitting::assembled(*fit, rows, fitting::range_of(points), wanted);
  out.coefficients.assign(static_cast<std::size_t>(first), 0.0);
  out.coefficients.insert(out.coefficients.end(), fit->coefficients.begin(), fit->coefficients.end());
  out.model = Thermocouple{type, out.coefficients};
  std::vector<std::vector<double>> place(out.coefficients.size(), std::vector<double>(fit->coefficients.size(), 0.0));
  for (std::size_t i = 0; i < fit->coefficients.size(); ++i) place[i + static_cast<std::size_t>(first)][i] = 1;
  out.covariance = fitting::propagated(fit->covariance, place);
  if (fit->covariance_by_residuals)
    out.covariance_by_residuals = fitting::propagated(*fit->covariance_by_residuals, place);
  return fitting::usable(std::move(out));
}

}  // namespace nightwell::thermometry
