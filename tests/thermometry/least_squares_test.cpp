// Least squares as such: exact data, leaving one out, what is refused. Published values: tests/published.
#include "thermometry/least_squares.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace nightwell;
using namespace nightwell::thermometry;

namespace {

struct Observation {
  double x, y, u;
};

std::vector<Observation> noisy_cubic(std::size_t count) {
  std::mt19937_64 random(71);
  std::normal_distribution<double> noise(0, 1);
  std::vector<Observation> out;
  for (std::size_t i = 0; i < count; ++i) {
    const double x = 10 * static_cast<double>(i) / static_cast<double>(count - 1), u = 0.01 + 0.003 * x;
    out.push_back({x, 3 - 0.5 * x + 0.02 * x * x - 0.001 * x * x * x + u * noise(random), u});
  }
  return out;
}

std::vector<double> powers(double x, std::size_t count) {
  std::vector<double> out{1};
  while (out.size() < count) out.push_back(out.back() * x);
  return out;
}

LinearProblem polynomial_problem(const std::vector<Observation>& observations, std::size_t columns) {
  LinearProblem out;
  out.columns = columns;
  for (const auto& one : observations) out.add(powers(one.x, columns), one.y, one.u);
  return out;
}

double fitted_at(const LeastSquares& fit, double x) {
  double out = 0;
  const auto row = powers(x, fit.coefficients.size());
  for (std::size_t i = 0; i < row.size(); ++i) out += row[i] * fit.coefficients[i];
  return out;
}

}  // namespace

TEST_CASE("The leave-one-out error is that of really leaving one out") {
  const auto all = noisy_cubic(12);
  const auto fit = least_squares(polynomial_problem(all, 4));
  REQUIRE(fit.ok());
  for (std::size_t i = 0; i < all.size(); ++i) {
    auto others = all;
    others.erase(others.begin() + static_cast<std::ptrdiff_t>(i));
    const auto without = least_squares(polynomial_problem(others, 4));
    REQUIRE(without.ok());
    REQUIRE(fit->leave_one_out[i]);
    CHECK(*fit->leave_one_out[i] == Approx(all[i].y - fitted_at(*without, all[i].x)).epsilon(1e-8));
  }
}

TEST_CASE("Leverages add up to the number of coefficients; a point that alone carries one has no prediction") {
  auto all = noisy_cubic(9);
  const auto fit = least_squares(polynomial_problem(all, 4));
  REQUIRE(fit.ok());
  double sum = 0;
  for (const double leverage : fit->leverages) sum += leverage;
  CHECK(sum == Approx(4));
  // A line through many points at one place and one elsewhere.
  const auto lopsided = least_squares(polynomial_problem({{0, 1, 1}, {0, 2, 1}, {0, 3, 1}, {5, 7, 1}}, 2));
  REQUIRE(lopsided.ok());
  CHECK(lopsided->residuals[3] == Approx(0).margin(1e-12));
  CHECK(!lopsided->leave_one_out[3]);
  CHECK(!lopsided->standardized[3]);
  CHECK(*lopsided->leave_one_out[0] == Approx(-1.5));
}

TEST_CASE("Weights: the mean of two unequal readings, and its uncertainty (JCGM 100, a weighted mean)") {
  const auto fit = least_squares(polynomial_problem({{0, 10, 1}, {0, 13, 2}}, 1));
  REQUIRE(fit.ok());
  CHECK(fit->coefficients[0] == Approx((10 / 1.0 + 13 / 4.0) / (1 + 1 / 4.0)));
  CHECK(fit->covariance.at(0, 0) == Approx(1 / (1 + 1 / 4.0)));
  CHECK(fit->degrees_of_freedom == 1);
}

TEST_CASE("Columns of very different sizes lose no digits: t^0 to t^6 up to 1200 °C") {
  const std::vector<double> truth{5, -0.02, 3e-5, -2e-8, 1e-11, -4e-15, 8e-19};
  LinearProblem problem;
  problem.columns = truth.size();
  for (double x = 0; x <= 1200; x += 60) {
    const auto row = powers(x, truth.size());
    double y = 0;
    for (std::size_t i = 0; i < truth.size(); ++i) y += row[i] * truth[i];
    problem.add(row, y, 0.1);
  }
  const auto fit = least_squares(problem);
  REQUIRE(fit.ok());
  for (std::size_t i = 0; i < truth.size(); ++i) CHECK(fit->coefficients[i] == Approx(truth[i]).epsilon(1e-8));
}

TEST_CASE("What cannot be fitted is refused, and says why") {
  const auto detail = [](const LinearProblem& problem) {
    const auto fit = least_squares(problem);
    REQUIRE(!fit.ok());
    CHECK(fit.error().code == Errc::bad_input);
    return fit.error().detail;
  };
  CHECK(detail(polynomial_problem({{0, 1, 1}, {0, 2, 1}, {0, 3, 1}}, 2)) ==
        "the points determine only 1 of 2 coefficients; spread the points or ask for fewer coefficients");
  CHECK(detail(polynomial_problem({{0, 1, 1}}, 2)) ==
        "1 points cannot determine 2 coefficients; add points or ask for fewer coefficients");
  CHECK(detail(polynomial_problem({{0, 1, 0}, {1, 2, 1}}, 2)) == "every point needs a standard uncertainty above 0");
  CHECK(detail(polynomial_problem({{0, 1, NAN}, {1, 2, 1}}, 2)) == "every point needs a standard uncertainty above 0");
  CHECK(detail(polynomial_problem({{0, NAN, 1}, {1, 2, 1}}, 2)) == "a value of a point is not a finite number");
  CHECK(detail({}) == "there is no coefficient to find");
  LinearProblem lopsided = polynomial_problem({{0, 1, 1}, {1, 2, 1}}, 2);
  lopsided.u.pop_back();
  CHECK(detail(lopsided) == "rows, values and uncertainties differ in number");
}
