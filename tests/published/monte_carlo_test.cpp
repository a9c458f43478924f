// The additive model of JCGM 101:2008 9.2 by formula and by Monte Carlo, with the supplement's own validation test
// (clause 8); JCGM 100 H.1 by Monte Carlo, where the model's second order shows (data/README.md).
#include "uncertainty/monte_carlo.hpp"

#include <cmath>

#include "published.hpp"
#include "uncertainty/agreement.hpp"
#include "uncertainty/budget.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using namespace nightwell::uncertainty;

namespace {

double sum(std::span<const double> x) {
  double out = 0;
  for (const double value : x) out += value;
  return out;
}

struct Both {
  BudgetResult gum;
  MonteCarloResult monte_carlo;
};

Both additive(const std::vector<Distribution>& distributions) {
  std::vector<Input> inputs;
  std::vector<BudgetLine> lines;
  for (const auto& distribution : distributions) {
    inputs.push_back({0, distribution});
    lines.push_back({"X", "", distribution});
  }
  const auto gum = combine(lines, {}, {.probability = 0.95});
  const auto run =
      monte_carlo(sum, inputs, {}, {.seed = 9, .coverage = 0.95, .significant_digits = {}, .most_trials = 400'000});
  REQUIRE(gum);
  REQUIRE(run);
  return {*gum, *run};
}

void check_case(const nlohmann::json& published, const Both& found, double digit) {
  const double half_digit = digit / 2,
               ends = 6 * found.gum.standard_uncertainty * 0.004;  // scatter of 400 000 trials' ends
  CHECK(std::abs(found.gum.standard_uncertainty - published["GUF"]["u"].get<double>()) <= 0.05);
  CHECK(std::abs(found.gum.expanded_uncertainty - published["GUF"]["I95"][1].get<double>()) <= half_digit);
  CHECK(std::abs(found.monte_carlo.standard_uncertainty - published["MCM"]["u"].get<double>()) <=
        0.05 + 0.005 * found.gum.standard_uncertainty);  // half a digit, and what 400 000 trials scatter
  CHECK(std::abs(found.monte_carlo.symmetric.low - published["MCM"]["I95"][0].get<double>()) <= half_digit + ends);
  CHECK(std::abs(found.monte_carlo.symmetric.high - published["MCM"]["I95"][1].get<double>()) <= half_digit + ends);
  CHECK(std::abs(found.monte_carlo.mean) <= 6 * found.gum.standard_uncertainty / std::sqrt(400'000.0));
}

Agreement validation(const Both& found, int digits) {
  const auto out =
      agreement(0, found.gum.standard_uncertainty, found.gum.expanded_uncertainty, found.monte_carlo.symmetric, digits);
  REQUIRE(out);
  return *out;
}

nlohmann::json case_of_9_2(std::size_t place) {
  const auto examples = json_file("uncertainty_examples.json")["examples"];
  for (const auto& one : examples)
    if (one["id"].get<std::string>().rfind("JCGM 101 9.2", 0) == 0) return one["cases"][place];
  FAIL("no example of JCGM 101 9.2");
  return {};
}

}  // namespace

TEST_CASE("JCGM 101 9.2.2: four normal inputs; both ways agree") {
  const auto found = additive(std::vector<Distribution>(4, *Distribution::normal(1)));
  check_case(case_of_9_2(0), found, 0.01);
  CHECK(validation(found, 2).tolerance == Approx(0.05));
  CHECK(validation(found, 2).validated);
}

TEST_CASE("JCGM 101 9.2.3: four rectangular inputs; the GUM's interval is a little too long") {
  const auto found = additive(std::vector<Distribution>(4, *Distribution::rectangular(std::sqrt(3.0))));
  check_case(case_of_9_2(1), found, 0.01);
  const double exact = 2 * std::sqrt(3.0) * (2 - std::pow(0.6, 0.25));
  CHECK(exact == Approx(3.879407).epsilon(1e-6));
  CHECK(found.monte_carlo.symmetric.high == Approx(exact).margin(0.03));
  CHECK(validation(found, 1).validated);  // tolerance 0.5
}

TEST_CASE("JCGM 101 9.2.4: one rectangular input dominates; the GUM's interval is far too long and is not validated") {
  auto distributions = std::vector<Distribution>(3, *Distribution::rectangular(std::sqrt(3.0)));
  distributions.push_back(*Distribution::rectangular(10 * std::sqrt(3.0)));
  const auto found = additive(distributions);
  check_case(case_of_9_2(2), found, 0.1);
  CHECK(found.monte_carlo.symmetric.high == Approx(17.016).margin(0.06));
  const auto verdict = validation(found, 2);
  CHECK(verdict.tolerance == Approx(0.5));
  CHECK_FALSE(verdict.validated);
  CHECK(verdict.d_low == Approx(19.9 - 17.0).margin(0.15));
}

TEST_CASE("JCGM 101 7.9.2: the numerical tolerance is half a unit of the last wanted digit") {
  CHECK(*numerical_tolerance(0.00035, 2) == Approx(0.000005));
  CHECK(*numerical_tolerance(0.00035, 1) == Approx(0.00005));
  CHECK(*numerical_tolerance(2, 2) == Approx(0.05));
  CHECK(*numerical_tolerance(10.1, 2) == Approx(0.5));
  CHECK(*numerical_tolerance(0.996, 2) == Approx(0.05));  // 1.0 in two digits
  CHECK_FALSE(numerical_tolerance(0, 2));
  CHECK_FALSE(numerical_tolerance(1, 0));
}

TEST_CASE("JCGM 100 H.1: the end gauge's second order, which the budget leaves out, shows by Monte Carlo") {
  // Two sensitivities are 0 at the estimates; the published u is 32 nm to first and 34 nm to second order (H.1.7).
  const std::vector<Input> inputs{{50'000'623, *Distribution::normal(25)},
                                  {215, *Distribution::normal(9.7)},
                                  {0, *Distribution::rectangular(1e-6)},
                                  {0, *Distribution::rectangular(0.05)},
                                  {11.5e-6, *Distribution::rectangular(2e-6)},
                                  {-0.1, *Distribution::normal(0.2)},
                                  {0, *Distribution::u_shaped(0.5)}};
  const auto length_nm = [](std::span<const double> x) {
    const double theta = x[5] + x[6];
    return x[0] + x[1] - x[0] * (x[2] * theta + x[4] * x[3]);
  };
  const auto run = monte_carlo(length_nm, inputs, {}, {.seed = 2, .significant_digits = {}, .most_trials = 200'000});
  REQUIRE(run);
  CHECK(std::abs(run->mean - 50'000'838) <= 0.5);
  CHECK(std::abs(run->standard_uncertainty - 33.8) <= 0.3);
}
