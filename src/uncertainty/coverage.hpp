// Coverage factors: how many standard uncertainties make an interval of a wanted coverage probability.
//
// Quantiles are those of the normal distribution and of Student's t (Boost.Math; docs/decisions/0008). No units:
// factors and probabilities. Source: JCGM 100:2008 (GUM) 6.3, annex G. Check values: tests/published (GUM table G.2,
// G.4.1). Errors: bad_input (a probability not between 0 and 1, degrees of freedom below 1 or not a number).
#pragma once

#include <limits>

#include "nightwell/result.hpp"

namespace nightwell::uncertainty {

inline constexpr double infinite_degrees_of_freedom = std::numeric_limits<double>::infinity();

// Two standard deviations of a normal distribution, as published budgets round it (k = 2.00).
inline constexpr double default_coverage = 0.9545;

// GUM G.6.4: degrees of freedom that are not whole are either used as they are or taken down to the next lower integer.
enum class Truncation { to_lower_integer, none };

// Degrees of freedom as they enter a t quantile: with to_lower_integer the integer part. A value that is whole but for
// rounding (closer than one part in 10^9) counts as whole; infinite stays infinite.
[[nodiscard]] double truncated(double degrees_of_freedom, Truncation truncation);

// k such that an interval of ± k has the coverage: t of GUM G.3.2 (equation G.1d), the normal factor for infinite
// degrees.
[[nodiscard]] Result<double> coverage_factor(double coverage, double degrees_of_freedom,
                                             Truncation truncation = Truncation::to_lower_integer);

// Standard normal distribution. normal_cdf keeps its relative accuracy far into the lower tail.
[[nodiscard]] double normal_cdf(double x);
[[nodiscard]] Result<double> normal_quantile(double probability);

// Student's t with the degrees of freedom as given (no truncation).
[[nodiscard]] Result<double> t_quantile(double probability, double degrees_of_freedom);

}  // namespace nightwell::uncertainty
