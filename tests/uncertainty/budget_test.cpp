// Budgets: what holds for any budget, what correlations do, and what is refused.
#include "uncertainty/budget.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <vector>

using namespace nightwell::uncertainty;

namespace {

std::vector<BudgetLine> some_lines() {
  return {{"scatter", "C", *Distribution::normal(0.004, 9), 1},
          {"certificate", "C", *Distribution::normal(0.0075), 1},
          {"resolution", "ohm", *Distribution::rectangular(0.0005), 2.6},
          {"gradient", "C", *Distribution::u_shaped(0.01), -1},
          {"drift", "C", *Distribution::triangular(0.006, 12), 1}};
}

}  // namespace

TEST_CASE("A budget does not change when units do") {
  const auto lines = some_lines();
  const std::vector<Correlation> correlations{{0, 1, 0.4}};
  const auto before = *combine(lines, correlations);
  for (const double result_scale : {1.0, 1000.0, 1e-6})
    for (const double line_scale : {1000.0, 1e-3}) {
      std::vector<BudgetLine> scaled;
      for (const auto& line : lines) {
        const auto& d = line.distribution;
        scaled.push_back({line.name, "", *Distribution::of(d.shape(), d.size() * line_scale, d.degrees_of_freedom()),
                          line.sensitivity / line_scale * result_scale});
      }
      const auto after = *combine(scaled, correlations);
      CHECK(after.standard_uncertainty == Approx(before.standard_uncertainty * result_scale));
      CHECK(after.expanded_uncertainty == Approx(before.expanded_uncertainty * result_scale));
      CHECK(after.effective_degrees_of_freedom == Approx(before.effective_degrees_of_freedom));
      for (std::size_t i = 0; i < lines.size(); ++i) CHECK(after.shares[i] == Approx(before.shares[i]));
    }
}

TEST_CASE("Shares add up to the whole, and without correlations are the squares' parts") {
  const auto lines = some_lines();
  const auto result = *combine(lines);
  double sum = 0;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    sum += result.shares[i];
    CHECK(result.contributions[i] == lines[i].contribution());
    CHECK(result.shares[i] == Approx(std::pow(lines[i].contribution() / result.standard_uncertainty, 2)));
  }
  CHECK(sum == Approx(1));
}

TEST_CASE("Full correlation adds contributions plainly, or takes them away from each other") {
  const std::vector<BudgetLine> lines{{"a", "", *Distribution::normal(3, 7), 1},
                                      {"b", "", *Distribution::normal(2, 20), 1}};
  const std::vector<Correlation> together{{0, 1, 1}}, opposite{{1, 0, -1}};
  CHECK(combine(lines)->standard_uncertainty == Approx(std::sqrt(13.0)));
  const auto added = *combine(lines, together), taken = *combine(lines, opposite);
  CHECK(added.standard_uncertainty == Approx(5));
  CHECK(taken.standard_uncertainty == Approx(1));
  CHECK(taken.shares[1] == Approx(-2));
  CHECK(added.effective_degrees_of_freedom == Approx(7));  // one group: the smallest of its members
}

TEST_CASE("Three thermometers with one certificate: equal lines that cancel leave nothing, not a number below zero") {
  const auto u = *Distribution::normal(0.1, 5);
  const std::vector<BudgetLine> lines{{"a", "", u, 1}, {"b", "", u, -0.5}, {"c", "", u, -0.5}};
  const std::vector<Correlation> one_source{{0, 1, 1}, {0, 2, 1}, {1, 2, 1}};
  const auto result = combine(lines, one_source);
  REQUIRE(result);
  CHECK(result->standard_uncertainty == Approx(0).margin(1e-9));
  CHECK(std::isfinite(result->expanded_uncertainty));
}

TEST_CASE("Degrees of freedom of independent groups join by Welch-Satterthwaite") {
  const std::vector<BudgetLine> lines{{"a", "", *Distribution::normal(1, 4), 1},
                                      {"b", "", *Distribution::normal(1, 8), 1},
                                      {"c", "", *Distribution::normal(1, 6), 1},
                                      {"none", "", *Distribution::normal(0, 1), 1}};
  CHECK(combine(lines)->effective_degrees_of_freedom == Approx(9 / (1 / 4.0 + 1 / 8.0 + 1 / 6.0)));
  // a, b and the line of nothing in one group: u_g² = 2 + 2·0.5, 4 degrees of freedom; c alone: 1, 6.
  const std::vector<Correlation> pair{{0, 1, 0.5}, {1, 3, 0.1}};
  CHECK(combine(lines, pair)->effective_degrees_of_freedom == Approx(16 / (9 / 4.0 + 1 / 6.0)));
}

TEST_CASE("Truncated degrees of freedom never make the interval shorter") {
  const auto lines = some_lines();
  const auto cut = *combine(lines), as_is = *combine(lines, {}, {.truncation = Truncation::none});
  CHECK(cut.effective_degrees_of_freedom == as_is.effective_degrees_of_freedom);
  CHECK(cut.coverage_factor > as_is.coverage_factor);
  CHECK(truncated(16.75, Truncation::to_lower_integer) == 16);
  CHECK(truncated(16 - 1e-12, Truncation::to_lower_integer) == 16);  // rounding is no missing degree of freedom
  CHECK(std::isinf(truncated(infinite_degrees_of_freedom, Truncation::to_lower_integer)));
}

TEST_CASE(
    "A t carries its few readings in its width: the interval is near the one by degrees of freedom, not doubled") {
  const std::vector<BudgetLine> by_dof{{"a", "", *Distribution::normal(1, 9), 1}};
  const std::vector<BudgetLine> by_width{{"a", "", *Distribution::t(1, 9), 1}};
  CHECK(combine(by_width)->standard_uncertainty == Approx(std::sqrt(9.0 / 7)));
  CHECK(combine(by_width)->expanded_uncertainty == Approx(combine(by_dof)->expanded_uncertainty).epsilon(0.03));
}

TEST_CASE("A budget of nothing but zeros is a zero with infinite degrees of freedom") {
  const std::vector<BudgetLine> lines{{"a", "", *Distribution::normal(0, 3), 1},
                                      {"b", "", *Distribution::rectangular(2), 0}};
  const auto result = combine(lines);
  REQUIRE(result);
  CHECK(result->standard_uncertainty == 0);
  CHECK(result->expanded_uncertainty == 0);
  CHECK(std::isinf(result->effective_degrees_of_freedom));
  CHECK(result->shares == std::vector<double>{0, 0});
}

TEST_CASE("What cannot be combined is refused, and the refusal names it") {
  const double not_a_number = std::numeric_limits<double>::quiet_NaN();
  const auto lines = some_lines();
  const auto refusal = [&](const std::vector<Correlation>& correlations) {
    const auto result = combine(lines, correlations);
    REQUIRE_FALSE(result);
    CHECK(result.error().code == nightwell::Errc::bad_input);
    return result.error().text();
  };
  CHECK_THAT(refusal({{0, 9, 0.5}}), Catch::Contains("inputs 0 and 9"));
  CHECK_THAT(refusal({{2, 2, 0.5}}), Catch::Contains("itself"));
  CHECK_THAT(refusal({{0, 1, 0.5}, {1, 0, 0.5}}), Catch::Contains("twice"));
  CHECK_THAT(refusal({{0, 1, 1.2}}), Catch::Contains("1.2"));
  CHECK_THAT(refusal({{0, 1, not_a_number}}), Catch::Contains("nan"));
  CHECK_THAT(refusal({{0, 1, 0.9}, {1, 2, 0.9}, {0, 2, -0.9}}), Catch::Contains("hold together"));

  CHECK_THAT(combine(std::vector<BudgetLine>{}).error().text(), Catch::Contains("no lines"));
  auto endless = lines;
  endless[2].sensitivity = infinite_degrees_of_freedom;
  CHECK_THAT(combine(endless).error().text(), Catch::Contains("line 2 (resolution)"));
  for (const double probability : {0.0, 1.0, 95.45, not_a_number})
    CHECK_THAT(combine(lines, {}, {.probability = probability}).error().text(),
               Catch::Contains("coverage probability"));
}
