// Weighted linear least squares: y_i = sum_j x_ij c_j + e_i, where e_i has the standard uncertainty u_i and the e_i are
// independent.
//
// Solved by QR with column pivoting of the rows divided by u_i and of columns brought to length 1, never by the normal
// equations. Any units: c_j has that of y over that of column j.
// Two covariances. `covariance` believes the u_i. `covariance_by_residuals` is the same times chi² / degrees of freedom:
// it believes only their ratios, and takes their size from the residuals. Where the u_i are right the two agree within
// what the number of points allows.
// Leave-one-out error: y_i minus what the fit to all other points gives there, which is residual / (1 - leverage) exactly.
// Errors: bad_input (no columns; fewer rows than columns; a value that is not finite; a u_i not above 0; points that do not
// determine all coefficients: rank deficiency).
// Sources: JCGM 100:2008 annex H.3 for the idea; Björck, Numerical Methods for Least Squares Problems (1996), for QR and
// leverages (from memory). Check values: tests/published (GUM H.3, Possolo and Iyer 2017).
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::thermometry {

// size × size, row after row.
struct SquareMatrix {
  std::size_t size = 0;
  std::vector<double> values;

  explicit SquareMatrix(std::size_t n = 0) : size(n), values(n * n, 0.0) {}
  [[nodiscard]] double at(std::size_t row, std::size_t column) const { return values[row * size + column]; }
  double& at(std::size_t row, std::size_t column) { return values[row * size + column]; }
};

struct LinearProblem {
  std::size_t columns = 0;
  std::vector<double> x;  // columns values a row, row after row
  std::vector<double> y, u;

  void add(std::span<const double> row, double y_value, double u_value);
};

struct LeastSquares {
  std::vector<double> coefficients;
  SquareMatrix covariance;
  std::optional<SquareMatrix> covariance_by_residuals;  // nullopt without a degree of freedom
  std::size_t degrees_of_freedom = 0;                   // rows - columns
  double chi_squared = 0;                               // sum of (residual / u)²
  // For every row, in order:
  std::vector<double> residuals;                     // y - fitted y
  std::vector<double> leverages;                     // 0 to 1
  std::vector<std::optional<double>> standardized;   // residual / (u sqrt(1 - leverage)); nullopt at leverage 1,
  std::vector<std::optional<double>> leave_one_out;  // where without the row nothing is determined
};

[[nodiscard]] Result<LeastSquares> least_squares(const LinearProblem& problem);

}  // namespace nightwell::thermometry
