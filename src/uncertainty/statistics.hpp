// Type A evaluation: what repeated readings say about themselves.
//
// Pure functions of finite values, in any unit; a result carries the unit of its input. Where the input cannot carry an
// answer (too few values, no spread in x, lengths that differ) there is no number but nullopt: never a zero.
// Source: JCGM 100:2008 (GUM) 4.2 for mean and standard deviation, annex H.3 for the line.
// Check values: tests/published (GUM H.3).
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace nightwell::uncertainty {

// Arithmetic mean; nullopt for no values. Free of overflow by summation and of loss for readings with a large common part
// (a furnace's 1000 °C with millikelvin noise), since the sum runs over differences to the first value.
[[nodiscard]] std::optional<double> mean(std::span<const double> values);

// Experimental standard deviation, n - 1 in the divisor (GUM 4.2.2, equation 4); nullopt below two values.
[[nodiscard]] std::optional<double> sample_standard_deviation(std::span<const double> values);

// The three together. `mean` exists from one value on, the rest from two on.
struct Sample {
  std::size_t count = 0;
  std::optional<double> mean;
  std::optional<double> standard_deviation;
  std::optional<double> standard_deviation_of_mean;  // s / sqrt(n), GUM 4.2.3, equation 5; degrees of freedom n - 1
};
[[nodiscard]] Sample sample(std::span<const double> values);

// y = intercept + slope (x - x_origin), fitted by ordinary least squares with equal weights and exact x.
struct Line {
  std::size_t count = 0;
  double x_origin = 0;   // as given to the fit
  double intercept = 0;  // y at x_origin
  double slope = 0;      // unit of y over unit of x

  // From three points on; the residuals have count - 2 degrees of freedom.
  std::optional<double> residual_standard_deviation;
  std::optional<double> intercept_standard_deviation;
  std::optional<double> slope_standard_deviation;
  double correlation = 0;  // between intercept and slope, -1 to 1

  [[nodiscard]] double at(double x) const { return intercept + slope * (x - x_origin); }
  // Standard deviation of the line's own y at x (not of one more reading there); GUM H.3.4, with the correlation.
  [[nodiscard]] std::optional<double> standard_deviation_at(double x) const;
};

// nullopt for fewer than two points, for lengths that differ, and where all x are equal.
// GUM H.3.2, equations H.13a to H.13g.
[[nodiscard]] std::optional<Line> least_squares_line(std::span<const double> x, std::span<const double> y,
                                                     double x_origin = 0);

}  // namespace nightwell::uncertainty
