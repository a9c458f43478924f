#include "thermometry/least_squares.hpp"

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <string>

namespace nightwell::thermometry {

namespace {

using Eigen::Index, Eigen::MatrixXd, Eigen::VectorXd;

constexpr const char* solving = "least-squares fit";

// A pivot this much smaller than the largest, columns of length 1, leaves no more than three digits in a coefficient.
constexpr double smallest_pivot = 1e-12;
// What is left of 1 - leverage where a row alone determines a coefficient is rounding.
constexpr double alone = 1e-10;

Result<void> check(const LinearProblem& problem) {
  const std::size_t rows = problem.y.size(), columns = problem.columns;
  const auto bad = [](std::string detail) { return Error{Errc::bad_input, solving, std::move(detail), ""}; };
  if (columns == 0) return bad("there is no coefficient to find");
  if (problem.u.size() != rows || problem.x.size() != rows * columns)
    return bad("rows, values and uncertainties differ in number");
  if (rows < columns)
    return bad(std::to_string(rows) + " points cannot determine " + std::to_string(columns) +
               " coefficients; add points or ask for fewer coefficients");
  const auto finite = [](double value) { return std::isfinite(value); };
  if (!std::all_of(problem.x.begin(), problem.x.end(), finite) ||
      !std::all_of(problem.y.begin(), problem.y.end(), finite))
    return bad("a value of a point is not a finite number");
  if (!std::all_of(problem.u.begin(), problem.u.end(), [](double u) { return u > 0 && std::isfinite(u); }))
    return bad("every point needs a standard uncertainty above 0");
  return {};
}

SquareMatrix square(const MatrixXd& from) {
  SquareMatrix out(static_cast<std::size_t>(from.rows()));
  for (Index i = 0; i < from.rows(); ++i)
    for (Index j = 0; j < from.cols(); ++j)
      out.at(static_cast<std::size_t>(i), static_cast<std::size_t>(j)) = from(i, j);
  return out;
}

}  // namespace

void LinearProblem::add(std::span<const double> row, double y_value, double u_value) {
  x.insert(x.end(), row.begin(), row.end());
  y.push_back(y_value);
  u.push_back(u_value);
}

Result<LeastSquares> least_squares(const LinearProblem& problem) {
  if (auto sound = check(problem); !sound) return sound.error();
  const auto rows = static_cast<Index>(problem.y.size()), columns = static_cast<Index>(problem.columns);
  using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  const Eigen::Map<const RowMajor> x(problem.x.data(), rows, columns);
  const Eigen::Map<const VectorXd> y(problem.y.data(), rows), u(problem.u.data(), rows);

  MatrixXd weighted = u.cwiseInverse().asDiagonal() * x;
  VectorXd length = weighted.colwise().norm();
  for (Index j = 0; j < columns; ++j)
    if (!(length(j) > 0)) length(j) = 1;  // a column of zeros: the rank says so
  weighted = weighted * length.cwiseInverse().asDiagonal();

  Eigen::ColPivHouseholderQR<MatrixXd> qr(rows, columns);
  qr.setThreshold(smallest_pivot);
  qr.compute(weighted);
  if (qr.rank() < columns)
    return Error{Errc::bad_input, solving,
                 "the points determine only " + std::to_string(qr.rank()) + " of " + std::to_string(columns) +
                     " coefficients; spread the points or ask for fewer coefficients",
                 ""};

  const VectorXd scaled = qr.solve(y.cwiseQuotient(u));
  const VectorXd c = scaled.cwiseQuotient(length);
  const MatrixXd r = qr.matrixR().topLeftCorner(columns, columns);
  const MatrixXd r_inverse = r.triangularView<Eigen::Upper>().solve(MatrixXd::Identity(columns, columns));
  const MatrixXd root = length.cwiseInverse().asDiagonal() * (qr.colsPermutation() * r_inverse);
  const MatrixXd covariance = root * root.transpose();
  const MatrixXd q = qr.householderQ() * MatrixXd::Identity(rows, columns);
  const VectorXd residual = y - x * c;
  const VectorXd leverage = q.rowwise().squaredNorm();

  LeastSquares out;
  out.coefficients.assign(c.data(), c.data() + columns);
  out.covariance = square(covariance);
  out.degrees_of_freedom = static_cast<std::size_t>(rows - columns);
  out.chi_squared = residual.cwiseQuotient(u).squaredNorm();
  if (rows > columns)
    out.covariance_by_residuals = square(covariance * (out.chi_squared / static_cast<double>(rows - columns)));
  for (Index i = 0; i < rows; ++i) {
    out.residuals.push_back(residual(i));
    out.leverages.push_back(std::min(leverage(i), 1.0));
    const double left = 1 - leverage(i);
    const bool carried = left > alone;
    out.standardized.push_back(carried ? std::optional(residual(i) / (u(i) * std::sqrt(left))) : std::nullopt);
    out.leave_one_out.push_back(carried ? std::optional(residual(i) / left) : std::nullopt);
  }
  return out;
}

}  // namespace nightwell::thermometry
