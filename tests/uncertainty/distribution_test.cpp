// Distributions: sizes and words, quantiles, and that what is drawn is distributed as the quantiles say.
#include "uncertainty/distribution.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <vector>

#include "uncertainty/sampler.hpp"

using namespace nightwell::uncertainty;

namespace {

std::vector<Distribution> one_of_each() {
  return {*Distribution::normal(0.3), *Distribution::rectangular(0.5), *Distribution::triangular(2),
          *Distribution::u_shaped(0.1), *Distribution::t(0.2, 5)};
}

std::vector<double> drawn(const Distribution& distribution, std::size_t count, std::uint64_t seed) {
  const std::vector<Input> inputs{{0, distribution}};
  RandomStream stream(seed, 0);
  std::vector<double> out(count);
  Sampler::of(inputs)->draw(stream, out);
  return out;
}

}  // namespace

TEST_CASE("Standard uncertainties of the shapes, and their words") {
  CHECK(Distribution::normal(0.3)->standard_uncertainty() == 0.3);
  CHECK(Distribution::rectangular(0.3)->standard_uncertainty() == Approx(0.17320508));
  CHECK(Distribution::triangular(0.3)->standard_uncertainty() == Approx(0.12247449));
  CHECK(Distribution::u_shaped(0.3)->standard_uncertainty() == Approx(0.21213203));
  CHECK(Distribution::t(0.3, 4)->standard_uncertainty() == Approx(0.42426407));
  CHECK(Distribution().standard_uncertainty() == 0);
  for (const auto& distribution : one_of_each()) CHECK(shape_named(name(distribution.shape())) == distribution.shape());
  CHECK_FALSE(shape_named("gaussian"));
}

TEST_CASE("A size or degrees of freedom that cannot be are refused by their words") {
  const double not_a_number = std::numeric_limits<double>::quiet_NaN();
  for (const double size : {-1e-9, not_a_number, infinite_degrees_of_freedom}) {
    CHECK_FALSE(Distribution::normal(size));
    CHECK_FALSE(Distribution::u_shaped(size));
    CHECK_FALSE(Distribution::t(size, 5));
    CHECK_THAT(Distribution::rectangular(size).error().text(), Catch::Contains("half-width"));
  }
  for (const double dof : {0.0, 0.5, -3.0, not_a_number}) CHECK_FALSE(Distribution::normal(1, dof));
  for (const double dof : {1.0, 2.0, infinite_degrees_of_freedom}) CHECK_FALSE(Distribution::t(1, dof));
  CHECK_FALSE(Distribution::normal(1)->quantile(0));
  CHECK_FALSE(Distribution::t(1, 3)->quantile(1));
}

TEST_CASE("Quantiles are symmetrical, rise, and end where a limit is") {
  for (const auto& distribution : one_of_each()) {
    INFO(name(distribution.shape()));
    double before = -1e9;
    for (const double p : {1e-6, 0.01, 0.2, 0.5, 0.7, 0.999}) {
      const double q = *distribution.quantile(p);
      CHECK(q > before);
      CHECK(q == Approx(-*distribution.quantile(1 - p)).margin(1e-12));
      before = q;
    }
  }
  CHECK(*Distribution::rectangular(0.5)->quantile(0.75) == Approx(0.25));
  CHECK(*Distribution::triangular(2)->quantile(0.875) == Approx(1));
  CHECK(*Distribution::u_shaped(0.1)->quantile(2.0 / 3) == Approx(0.05));
  CHECK(*Distribution::normal(2)->quantile(0.975) == Approx(3.919927969));
  CHECK(*t_quantile(0.975, 10) == Approx(2.228138852));  // tables of t, from memory
}

TEST_CASE("What is drawn follows the distribution, into its tails") {
  constexpr std::size_t count = 200'000;
  for (const auto& distribution : one_of_each()) {
    INFO(name(distribution.shape()));
    auto values = drawn(distribution, count, 11);
    std::sort(values.begin(), values.end());
    // Share of values below the p quantile: p within four standard deviations of a count.
    for (const double p : {0.0002, 0.01, 0.1, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9, 0.99, 0.9998}) {
      const auto below = std::lower_bound(values.begin(), values.end(), *distribution.quantile(p)) - values.begin();
      CHECK(static_cast<double>(below) / count == Approx(p).margin(4 * std::sqrt(p * (1 - p) / count)));
    }
    double square = 0;
    for (const double value : values) square += value * value;
    CHECK(std::sqrt(square / count) == Approx(distribution.standard_uncertainty()).epsilon(0.02));
  }
}

TEST_CASE("The ziggurat's layers join: a fine histogram of normal numbers follows the distribution") {
  constexpr std::size_t count = 1'000'000, bins = 200;
  std::vector<double> found(bins);
  for (const double value : drawn(*Distribution::normal(1), count, 3))
    ++found[std::min(bins - 1, static_cast<std::size_t>(normal_cdf(value) * bins))];
  double chi_squared = 0;
  const double expected = static_cast<double>(count) / bins;
  for (const double bin : found) chi_squared += (bin - expected) * (bin - expected) / expected;
  CHECK(chi_squared < 199 + 4 * std::sqrt(2 * 199.0));
  CHECK(chi_squared > 199 - 4 * std::sqrt(2 * 199.0));
}

TEST_CASE("The generator gives its authors' numbers; streams of a seed's blocks differ") {
  // First outputs of the reference code of xoshiro256++ from the state 1, 2, 3, 4 (from memory; the first two by hand).
  RandomStream reference({1, 2, 3, 4});
  for (const std::uint64_t expected : {41943041ULL, 58720359ULL, 3588806011781223ULL, 3591011842654386ULL})
    CHECK(reference.bits() == expected);
  RandomStream a(7, 0), again(7, 0), other_block(7, 1), other_seed(8, 0);
  const auto first = a.bits();
  CHECK(again.bits() == first);
  CHECK(other_block.bits() != first);
  CHECK(other_seed.bits() != first);
}
