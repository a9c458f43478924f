// What a stated uncertainty is worth: planted coefficients lie within it as often as it says, over 2000 seeded calibrations.
//
// 95 % intervals must hold 93 to 97 %: 2 % is four standard deviations of a fraction of 2000 trials. Two statements:
// from given uncertainties that are right, the factor is that of the normal distribution, 1.960; from the residuals,
// while the stated uncertainties are half of the truth, that of Student's t for the fit's degrees of freedom.
#include <catch2/catch.hpp>
#include <cmath>
#include <map>
#include <random>

#include "fit_kinds.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

namespace {

constexpr int trials = 2000;
constexpr double normal_factor = 1.959964;

// Student's t at 97.5 %: JCGM 100 table G.2 to more digits (from memory; its two decimals are in the file of examples).
double student_factor(std::size_t degrees_of_freedom) {
  static const std::map<std::size_t, double> known{
      {4, 2.776445}, {5, 2.570582}, {6, 2.446912}, {7, 2.364624}, {8, 2.306004}};
  return known.at(degrees_of_freedom);
}

// Errors of temperature and raw value drawn as stated, times `truth_over_stated`.
std::vector<FitPoint> drawn(const FitKind& kind, std::mt19937_64& random, double truth_over_stated) {
  std::normal_distribution<double> normal(0, truth_over_stated);
  auto points = exact_points(kind);
  for (auto& point : points) {
    point.t_c += point.u_k * normal(random);
    point.raw += point.u_raw * normal(random);
  }
  return points;
}

// The sensor reaches a little beyond its outermost points, which an error may move.
FitKind with_room(FitKind kind) {
  if (auto* sprt = std::get_if<Sprt>(&kind.model); sprt != nullptr) {
    for (double& t_c : kind.temperatures_c) {
      if (std::abs(t_c) < 1) continue;
      t_c *= 0.995;
    }
  }
  return kind;
}

enum class Statement { given, residuals };

void check_coverage(const FitKind& kind, Statement statement) {
  const bool given = statement == Statement::given;
  std::mt19937_64 random(given ? 20260301 : 20260302);
  std::vector<int> inside(kind.truth.size(), 0), stated(kind.truth.size(), 0);
  for (int trial = 0; trial < trials; ++trial) {
    const auto fit = kind.fit(drawn(kind, random, given ? 1 : 2));
    REQUIRE(fit.ok());
    const auto& covariance = given ? fit->covariance : *fit->covariance_by_residuals;
    const double factor = given ? normal_factor : student_factor(fit->degrees_of_freedom);
    for (std::size_t i = 0; i < kind.truth.size(); ++i) {
      const double u = std::sqrt(covariance.at(i, i));
      stated[i] += u > 0 ? 1 : 0;
      inside[i] += std::abs(fit->coefficients[i] - kind.truth[i]) <= factor * u ? 1 : 0;
    }
  }
  for (std::size_t i = 0; i < kind.truth.size(); ++i) {
    if (stated[i] == 0) continue;  // held
    INFO(kind.name << ", coefficient " << i << (given ? ", given" : ", from residuals"));
    CHECK(stated[i] == trials);
    CHECK(inside[i] >= 0.93 * trials);
    CHECK(inside[i] <= 0.97 * trials);
  }
}

}  // namespace

TEST_CASE("Planted coefficients lie within the given uncertainties in 95 % of calibrations") {
  for (const auto& kind : fit_kinds()) check_coverage(with_room(kind), Statement::given);
}

TEST_CASE("Planted coefficients lie within the residuals' uncertainties in 95 % of calibrations") {
  for (const auto& kind : fit_kinds()) {
    // R at the triple point comes from its own two readings: their size is not taken from the residuals of the others.
    if (kind.name == "SPRT to zinc, its own triple point") continue;
    check_coverage(with_room(kind), Statement::residuals);
  }
}
