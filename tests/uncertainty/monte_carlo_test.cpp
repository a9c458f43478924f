// Monte Carlo: agreement with the GUM where both hold, the same bits for the same seed, correlations, and when a run
// ends.
#include "uncertainty/monte_carlo.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

#include "uncertainty/agreement.hpp"
#include "uncertainty/budget.hpp"
#include "uncertainty/statistics.hpp"

using namespace nightwell::uncertainty;

namespace {

double weighted(std::span<const double> x) {
  double out = 0;
  for (std::size_t i = 0; i < x.size(); ++i) out += (i % 2 == 0 ? 1.0 : -2.0) * x[i];
  return out;
}

const std::vector<Input> four_normals{{20, *Distribution::normal(0.1)},
                                      {5, *Distribution::normal(0.2)},
                                      {-3, *Distribution::normal(0.05)},
                                      {0, *Distribution::normal(0.3)}};

std::vector<BudgetLine> lines_of_four() {
  std::vector<BudgetLine> out;
  for (std::size_t i = 0; i < four_normals.size(); ++i)
    out.push_back({"x", "", four_normals[i].distribution, i % 2 == 0 ? 1.0 : -2.0});
  return out;
}

}  // namespace

TEST_CASE("A linear model of normal inputs: Monte Carlo and the GUM agree, with correlations and without") {
  const std::vector<std::vector<Correlation>> cases{{}, {{0, 1, 0.7}, {1, 3, -0.4}}, {{0, 2, 1}, {1, 3, -1}}};
  for (const auto& correlations : cases) {
    INFO(correlations.size());
    const auto gum = combine(lines_of_four(), correlations);
    const auto run =
        monte_carlo(weighted, four_normals, correlations, {.seed = 5, .significant_digits = 1, .for_validation = true});
    REQUIRE(gum);
    REQUIRE(run);
    CHECK(run->stable);
    CHECK(run->mean == Approx(7).margin(0.01));
    CHECK(run->standard_uncertainty == Approx(gum->standard_uncertainty).epsilon(0.02));
    const auto verdict = agreement(7, gum->standard_uncertainty, gum->expanded_uncertainty, run->symmetric, 1);
    REQUIRE(verdict);
    CHECK(verdict->validated);
    CHECK(run->shortest.high - run->shortest.low <= run->symmetric.high - run->symmetric.low);
  }
}

TEST_CASE("The same seed gives the same bits; another seed another run of the same thing") {
  const auto run = [](std::uint64_t seed) {
    return *monte_carlo(weighted, four_normals, {}, {.seed = seed, .significant_digits = {}, .most_trials = 30'000});
  };
  const auto one = run(1), again = run(1), other = run(2);
  CHECK(one.mean == again.mean);
  CHECK(one.standard_uncertainty == again.standard_uncertainty);
  CHECK(one.symmetric.low == again.symmetric.low);
  CHECK(one.shortest.high == again.shortest.high);
  CHECK(one.mean != other.mean);
  CHECK(one.standard_uncertainty == Approx(other.standard_uncertainty).epsilon(0.03));
}

TEST_CASE("Blocks are independent of the order in which they are worked out") {
  const auto sampler = *Sampler::of(four_normals);
  const auto model = chunk_model(weighted, four_normals.size());
  std::vector<std::vector<double>> backwards(3);
  for (const std::size_t block : {2u, 0u, 1u}) backwards[block] = block_results(model, sampler, 0.95, 1, block);
  std::vector<double> all;
  for (const auto& block : backwards) all.insert(all.end(), block.begin(), block.end());
  const auto run = *monte_carlo(weighted, four_normals, {},
                                {.seed = 1, .coverage = 0.95, .significant_digits = {}, .most_trials = all.size()});
  CHECK(run.trials == all.size());
  const auto intervals = coverage_intervals(all, 0.95);
  CHECK(run.symmetric.low == intervals.symmetric.low);
  CHECK(run.shortest.low == intervals.shortest.low);
  CHECK(backwards[0] != backwards[1]);
}

TEST_CASE("An adaptive run ends when its digits are reached, and says when they were not") {
  const auto one = *monte_carlo(weighted, four_normals, {}, {.significant_digits = 1});
  const auto two = *monte_carlo(weighted, four_normals, {}, {.significant_digits = 2});
  const auto too_few = *monte_carlo(weighted, four_normals, {}, {.significant_digits = 4, .most_trials = 30'000});
  const auto fixed = *monte_carlo(weighted, four_normals, {}, {.significant_digits = {}, .most_trials = 25'000});
  CHECK(one.stable);
  CHECK(two.stable);
  CHECK(one.trials < two.trials);
  CHECK(two.trials < 1'000'000);
  CHECK_FALSE(too_few.stable);
  CHECK(too_few.trials == 30'000);
  CHECK_FALSE(fixed.stable);
  CHECK(fixed.trials == 30'000);  // whole blocks
}

TEST_CASE("A model that is constant is stable at once, and certain") {
  const auto run = monte_carlo([](std::span<const double>) { return 4.5; }, four_normals);
  REQUIRE(run);
  CHECK(run->stable);
  CHECK(run->mean == 4.5);
  CHECK(run->standard_uncertainty == 0);
  CHECK(run->shortest.high == 4.5);
}

TEST_CASE("Intervals of known values: symmetric and shortest by JCGM 101 7.7") {
  std::vector<double> values(1000);
  std::iota(values.begin(), values.end(), 1.0);
  for (double& value : values) value = value * value;  // crowded at the low end: there the shortest interval lies
  std::rotate(values.begin(), values.begin() + 333, values.end());
  const auto found = coverage_intervals(values, 0.9);
  CHECK(found.symmetric.low == 50 * 50);
  CHECK(found.symmetric.high == 950 * 950);
  CHECK(found.shortest.low == 1);
  CHECK(found.shortest.high == 901 * 901);
}

TEST_CASE("Simulated calibrations: the expanded uncertainty covers the true value as often as it says") {
  // Five readings of scatter 0.02 about 0 and a correction known to 0.01: U for 95.45 % in 95.45 % of 4000 simulations.
  const auto scatter = *Distribution::normal(0.02), correction = *Distribution::normal(0.01);
  const std::vector<Input> inputs{{0, scatter}, {0, scatter}, {0, scatter},
                                  {0, scatter}, {0, scatter}, {0, correction}};
  const auto sampler = *Sampler::of(inputs);
  RandomStream stream(21, 0);
  std::vector<double> trial(inputs.size());
  constexpr int simulations = 4000;
  int covered = 0;
  for (int i = 0; i < simulations; ++i) {
    sampler.draw(stream, trial);
    const auto readings = sample(std::span(trial).first(5));
    const std::vector<BudgetLine> lines{
        {"readings", "", *Distribution::normal(*readings.standard_deviation_of_mean, 4)},
        {"correction", "", correction}};
    covered += std::abs(*readings.mean + trial[5]) <= combine(lines)->expanded_uncertainty ? 1 : 0;
  }
  CHECK(static_cast<double>(covered) / simulations == Approx(0.9545).margin(0.013));  // four standard deviations
}

TEST_CASE("What cannot be propagated is refused") {
  const auto refusal = [](const std::vector<Input>& inputs, const std::vector<Correlation>& correlations,
                          const MonteCarloOptions& options) {
    const auto run = monte_carlo(weighted, inputs, correlations, options);
    REQUIRE_FALSE(run);
    return run.error().text();
  };
  CHECK_THAT(refusal({}, {}, {}), Catch::Contains("no inputs"));
  CHECK_THAT(refusal(four_normals, {{0, 1, 2}}, {}), Catch::Contains("between -1 and 1"));
  CHECK_THAT(refusal({{0, *Distribution::rectangular(1)}, {0, *Distribution::normal(1)}}, {{0, 1, 0.5}}, {}),
             Catch::Contains("rectangular"));
  CHECK_THAT(refusal(four_normals, {}, {.coverage = 95}), Catch::Contains("coverage"));
  CHECK_THAT(refusal(four_normals, {}, {.coverage = 0.99999}), Catch::Contains("0.9999"));
  CHECK_THAT(refusal(four_normals, {}, {.significant_digits = 9}), Catch::Contains("significant digits"));
  CHECK_THAT(refusal(four_normals, {}, {.most_trials = 0}), Catch::Contains("trials"));
  CHECK_THAT(refusal({{std::numeric_limits<double>::quiet_NaN(), *Distribution::normal(1)}}, {}, {}),
             Catch::Contains("estimate of input 0"));

  const auto log_of = [](std::span<const double> x) { return std::log(x[0]); };
  const std::vector<Input> near_zero{{0.1, *Distribution::normal(0.1)}};
  const auto run = monte_carlo(log_of, near_zero);
  REQUIRE_FALSE(run);
  CHECK(run.error().code == nightwell::Errc::out_of_range);
  CHECK_THAT(run.error().text(), Catch::Contains("the model gave"));
}
