// What a study of many runs with known item errors counts, and what it should have counted.
//
// The true errors are drawn evenly over twice the tolerance and more, far beyond U: then the probability of conformance that
// a verdict carries (a normal distribution about the measured error) is what a fair bet on the truth would be.
#pragma once

#include <boost/math/distributions/binomial.hpp>
#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

#include "results/results.hpp"

namespace nightwell::tests {

// How often something came, and how often it should have by the probabilities of the single runs.
struct Counted {
  int found = 0;
  double expected = 0, variance = 0;  // of a sum of independent yes or no of unequal probabilities

  void add(bool came, double probability) {
    found += came ? 1 : 0;
    expected += probability;
    variance += probability * (1 - probability);
  }
  // Within three standard deviations, and one for the smallest counts.
  void check() const {
    INFO(found << " found, " << expected << " expected, standard deviation " << std::sqrt(variance));
    CHECK(std::abs(found - expected) <= 3 * std::sqrt(variance) + 1);
  }
};

struct CoverageStudy {
  int runs = 0, covered = 0, accepted = 0, rejected = 0;
  Counted falsely_accepted, falsely_rejected;

  void judge(const results::Item& item, double true_error_k, double limit_k) {
    REQUIRE((item.error_k && item.budget && item.budget->expanded_k && item.verdict && item.verdict->conformance));
    REQUIRE(item.budget->gaps.empty());
    ++runs;
    if (std::abs(*item.error_k - true_error_k) <= *item.budget->expanded_k) ++covered;
    const bool conforms = std::abs(true_error_k) <= limit_k;
    if (item.verdict->answer == results::Answer::within) {
      ++accepted;
      falsely_accepted.add(!conforms, 1 - *item.verdict->conformance);
    } else if (item.verdict->answer == results::Answer::outside) {
      ++rejected;
      falsely_rejected.add(conforms, *item.verdict->conformance);
    }
  }

  // The 95 % interval of the probability that U holds the true error (Clopper and Pearson 1934).
  [[nodiscard]] std::pair<double, double> coverage_interval() const {
    using Binomial = boost::math::binomial_distribution<>;
    return {Binomial::find_lower_bound_on_p(runs, covered, 0.025),
            Binomial::find_upper_bound_on_p(runs, covered, 0.025)};
  }
};

}  // namespace nightwell::tests
