#include "uncertainty/statistics.hpp"

#include <cmath>

namespace nightwell::uncertainty {

namespace {

double sum_of_squares_about(std::span<const double> values, double centre) {
  double squares = 0, rest = 0;
  for (const double value : values) {
    squares += (value - centre) * (value - centre);
    rest += value - centre;  // zero but for the rounding of the mean
  }
  return squares - rest * rest / static_cast<double>(values.size());
}

// Below zero by rounding only.
double root(double square) {
  return std::sqrt(square > 0 ? square : 0);
}

}  // namespace

std::optional<double> mean(std::span<const double> values) {
  if (values.empty()) return std::nullopt;
  const double first = values.front();
  double sum = 0;
  for (const double value : values) sum += value - first;
  return first + sum / static_cast<double>(values.size());
}

std::optional<double> sample_standard_deviation(std::span<const double> values) {
  if (values.size() < 2) return std::nullopt;
  return root(sum_of_squares_about(values, *mean(values)) / static_cast<double>(values.size() - 1));
}

Sample sample(std::span<const double> values) {
  Sample out;
  out.count = values.size();
  out.mean = mean(values);
  out.standard_deviation = sample_standard_deviation(values);
  if (out.standard_deviation)
    out.standard_deviation_of_mean = *out.standard_deviation / std::sqrt(static_cast<double>(out.count));
  return out;
}

std::optional<double> Line::standard_deviation_at(double x) const {
  if (!intercept_standard_deviation) return std::nullopt;
  const double of_intercept = *intercept_standard_deviation, of_slope = (x - x_origin) * *slope_standard_deviation;
  return root(of_intercept * of_intercept + of_slope * of_slope + 2 * correlation * of_intercept * of_slope);
}

std::optional<Line> least_squares_line(std::span<const double> x, std::span<const double> y, double x_origin) {
  if (x.size() != y.size() || x.size() < 2) return std::nullopt;
  const double x_mean = *mean(x), y_mean = *mean(y);
  const auto n = static_cast<double>(x.size());
  double xx = 0, xy = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    xx += (x[i] - x_mean) * (x[i] - x_mean);
    xy += (x[i] - x_mean) * (y[i] - y_mean);
  }
  if (!(xx > 0)) return std::nullopt;

  Line out;
  out.count = x.size();
  out.x_origin = x_origin;
  out.slope = xy / xx;
  const double reach = x_mean - x_origin;
  out.intercept = y_mean - out.slope * reach;
  out.correlation = -reach / std::sqrt(xx / n + reach * reach);
  if (x.size() < 3) return out;

  double squares = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double residual = (y[i] - y_mean) - out.slope * (x[i] - x_mean);
    squares += residual * residual;
  }
  const double s = std::sqrt(squares / (n - 2));
  out.residual_standard_deviation = s;
  out.slope_standard_deviation = s / std::sqrt(xx);
  out.intercept_standard_deviation = s * std::sqrt(1 / n + reach * reach / xx);
  return out;
}

}  // namespace nightwell::uncertainty
