// What the fits of all kinds of sensors share: from rows to a SensorFit. For the fit_*.cpp of this room only.
#pragma once

#include <array>
#include <cmath>

#include "thermometry/fit_sensor.hpp"

namespace nightwell::thermometry::fitting {

// A linear problem with the slope of each row's y: y changes by |per_k| for one kelvin of the sensor's temperature, with the
// sign that makes residual / per_k the sensor's temperature minus the reference's.
struct Rows {
  LinearProblem problem;
  std::vector<double> per_k;

  explicit Rows(std::size_t columns) { problem.columns = columns; }
  void add(std::span<const double> row, double y, double u, double slope_per_k) {
    problem.add(row, y, u);
    per_k.push_back(slope_per_k);
  }
};

// Finite values, uncertainties not negative and not both 0, at least one point.
[[nodiscard]] Result<void> check(std::span<const FitPoint> points, const std::string& doing);

// The point's uncertainty on the raw side.
[[nodiscard]] inline double combined(double u_raw, double u_k, double raw_per_k) {
  return std::hypot(u_raw, u_k * raw_per_k);
}

// covariance of J p where p has the covariance c; `j` has a row for every result, c.size values each.
[[nodiscard]] SquareMatrix propagated(const SquareMatrix& c, const std::vector<std::vector<double>>& j);

[[nodiscard]] TemperatureSpan range_of(std::span<const FitPoint> points);

// All of a SensorFit but model, coefficients and covariances; a point for every row, in order.
[[nodiscard]] SensorFit assembled(const LeastSquares& fit, const Rows& rows, const TemperatureSpan& range,
                                  const WantedRange& wanted);

// The model with these coefficients, in the order of fit_sensor.hpp, and back.
[[nodiscard]] std::vector<double> coefficients(const SensorModel& model);
[[nodiscard]] SensorModel with_coefficients(SensorModel model, const std::vector<double>& values);

// `fit` if its model can be used at both ends of the points, else the model's own error.
[[nodiscard]] Result<SensorFit> usable(SensorFit fit);

}  // namespace nightwell::thermometry::fitting
