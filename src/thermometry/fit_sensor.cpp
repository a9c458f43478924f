#include "thermometry/fit_sensor.hpp"

#include <algorithm>
#include <utility>

#include "thermometry/faults.hpp"
#include "thermometry/fitting.hpp"

namespace nightwell::thermometry {

namespace fitting {

namespace {

constexpr std::size_t spare_points = 2;

std::string span_text(const TemperatureSpan& span) {
  return number(span.low_c) + " to " + number(span.high_c) + " °C";
}

std::vector<FitWarning> warnings_of(std::size_t rows, std::size_t columns, const TemperatureSpan& range,
                                    const WantedRange& wanted) {
  std::vector<FitWarning> out;
  if (rows < columns + spare_points)
    out.push_back(
        {FitWarning::Kind::few_points, std::to_string(rows) + " points for " + std::to_string(columns) +
                                           " coefficients: the residuals say little about the fit; measure at " +
                                           std::to_string(columns + spare_points) + " temperatures or more"});
  if (wanted && (wanted->low_c < range.low_c || wanted->high_c > range.high_c))
    out.push_back({FitWarning::Kind::extrapolation,
                   "asked for " + span_text(*wanted) + ", but the points cover " + span_text(range) + " only"});
  return out;
}

// The coefficients of each kind of model, to read and to write.
struct Get {
  std::vector<double> out;
  void operator()(const Thermocouple& m) { out = m.deviation_uv; }
  void operator()(const Platinum& m) { out = {m.r0_ohm, m.a_per_c, m.b_per_c2, m.c_per_c4}; }
  void operator()(const Sprt& m) {
    out = {m.r_tpw_ohm};
    for (const auto* side : {&m.below, &m.above})
      if (*side) out.insert(out.end(), (*side)->coefficients.begin(), (*side)->coefficients.end());
  }
  void operator()(const Thermistor& m) { out = {m.a, m.b, m.c}; }
  void operator()(const ThermistorPolynomial& m) { out = m.coefficients; }
  void operator()(const CurrentTransmitter&) {}
  void operator()(const Indicated&) {}
};

struct Set {
  const std::vector<double>& c;
  void operator()(Thermocouple& m) const { m.deviation_uv = c; }
  void operator()(Platinum& m) const { m = {c[0], c[1], c[2], c[3]}; }
  void operator()(Sprt& m) const {
    m.r_tpw_ohm = c[0];
    std::size_t next = 1;
    for (auto* side : {&m.below, &m.above})
      if (*side)
        for (double& coefficient : (*side)->coefficients) coefficient = c[next++];
  }
  void operator()(Thermistor& m) const { m.a = c[0], m.b = c[1], m.c = c[2]; }
  void operator()(ThermistorPolynomial& m) const { m.coefficients = c; }
  void operator()(CurrentTransmitter&) const {}
  void operator()(Indicated&) const {}
};

// A reference junction at 0 °C, which the fit's raw values have.
constexpr double junction_c = 0;

}  // namespace

Result<void> check(std::span<const FitPoint> points, const std::string& doing) {
  if (points.empty()) return Error{Errc::bad_input, doing, "there are no points", ""};
  for (const FitPoint& point : points) {
    const bool sound = std::isfinite(point.t_c) && std::isfinite(point.raw) && std::isfinite(point.u_k) &&
                       std::isfinite(point.u_raw) && point.u_k >= 0 && point.u_raw >= 0 && point.u_k + point.u_raw > 0;
    if (!sound)
      return Error{Errc::bad_input, doing,
                   "the point at " + number(point.t_c) + " °C, raw " + number(point.raw) +
                       ": its values must be finite and its uncertainty above 0",
                   ""};
  }
  return {};
}

SquareMatrix propagated(const SquareMatrix& c, const std::vector<std::vector<double>>& j) {
  SquareMatrix out(j.size());
  for (std::size_t row = 0; row < j.size(); ++row)
    for (std::size_t column = 0; column < j.size(); ++column)
      for (std::size_t a = 0; a < c.size; ++a)
        for (std::size_t b = 0; b < c.size; ++b) out.at(row, column) += j[row][a] * c.at(a, b) * j[column][b];
  return out;
}

TemperatureSpan range_of(std::span<const FitPoint> points) {
  const auto [low, high] =
      std::minmax_element(points.begin(), points.end(), [](const auto& a, const auto& b) { return a.t_c < b.t_c; });
  return {low->t_c, high->t_c};
}

SensorFit assembled(const LeastSquares& fit, const Rows& rows, const TemperatureSpan& range,
                    const WantedRange& wanted) {
  SensorFit out;
  out.degrees_of_freedom = fit.degrees_of_freedom;
  if (fit.degrees_of_freedom > 0)
    out.residual_scale = std::sqrt(fit.chi_squared / static_cast<double>(fit.degrees_of_freedom));
  double squares = 0;
  bool all = true;
  for (std::size_t i = 0; i < rows.per_k.size(); ++i) {
    FittedPoint point{fit.residuals[i] / rows.per_k[i], fit.standardized[i], std::nullopt};
    if (point.standardized && rows.per_k[i] < 0) point.standardized = -*point.standardized;
    if (fit.leave_one_out[i]) point.leave_one_out_k = *fit.leave_one_out[i] / rows.per_k[i];
    all = all && point.leave_one_out_k;
    squares += point.leave_one_out_k ? *point.leave_one_out_k * *point.leave_one_out_k : 0;
    out.points.push_back(point);
  }
  if (all) out.leave_one_out_rms_k = std::sqrt(squares / static_cast<double>(rows.per_k.size()));
  out.range = range;
  out.warnings = warnings_of(rows.per_k.size(), rows.problem.columns, out.range, wanted);
  return out;
}

std::vector<double> coefficients(const SensorModel& model) {
  Get get;
  std::visit(get, model);
  return get.out;
}

SensorModel with_coefficients(SensorModel model, const std::vector<double>& values) {
  std::visit(Set{values}, model);
  return model;
}

Result<SensorFit> usable(SensorFit fit) {
  const TemperatureSpan whole = span(fit.model);
  for (const double end_c : {fit.range.low_c, fit.range.high_c})
    if (const auto slope = sensitivity_per_k(fit.model, std::clamp(end_c, whole.low_c, whole.high_c)); !slope)
      return slope.error();
  return fit;
}

}  // namespace fitting

namespace {

constexpr double ice_point_k = 273.15;

// How the model's temperature at the raw value of t_c follows each coefficient.
Result<std::vector<double>> temperature_per_coefficient(const SensorFit& fit, const SquareMatrix& covariance,
                                                        double t_c) {
  const auto slope = sensitivity_per_k(fit.model, t_c);
  if (!slope) return slope.error();
  std::vector<double> out(fit.coefficients.size(), 0.0);
  // T = 1 / sum of a_i l^i. Coefficients of a high degree hang together so closely that one alone, moved by its uncertainty, is
  // no thermistor any more: no difference quotient.
  if (std::holds_alternative<ThermistorPolynomial>(fit.model)) {
    const auto r_ohm = raw_value(fit.model, t_c, std::nullopt);
    if (!r_ohm) return r_ohm.error();
    const double t_k = t_c + ice_point_k;
    for (std::size_t i = 0; i < out.size(); ++i)
      out[i] = -t_k * t_k * std::pow(std::log(*r_ohm), static_cast<double>(i));
    return out;
  }
  // Central differences one standard uncertainty wide, over which every other model is a line to many digits.
  for (std::size_t i = 0; i < out.size(); ++i) {
    const double step = std::sqrt(covariance.at(i, i));
    if (!(step > 0)) continue;
    double raw[2] = {0, 0};
    for (const int side : {0, 1}) {
      auto moved = fit.coefficients;
      moved[i] += side == 0 ? -step : step;
      const auto at = raw_value(fitting::with_coefficients(fit.model, moved), t_c, fitting::junction_c);
      if (!at) return at.error();
      raw[side] = *at;
    }
    out[i] = -(raw[1] - raw[0]) / (2 * step) / *slope;
  }
  return out;
}

}  // namespace

Result<double> curve_u_k(const SensorFit& fit, const SquareMatrix& covariance, double t_c) {
  if (covariance.size != fit.coefficients.size())
    return Error{Errc::bad_input, "uncertainty of a fitted curve", "the covariance is that of another fit", ""};
  const auto per_coefficient = temperature_per_coefficient(fit, covariance, t_c);
  if (!per_coefficient) return per_coefficient.error();
  const SquareMatrix variance = fitting::propagated(covariance, {*per_coefficient});
  return std::sqrt(std::max(variance.at(0, 0), 0.0));
}

}  // namespace nightwell::thermometry
