// Does the GUM uncertainty framework hold for this measurement? JCGM 101:2008 clause 8: its interval y ± U is compared
// with the one by Monte Carlo, end by end, against the numerical tolerance of the standard uncertainty. All values in
// the result's unit.
#pragma once

#include "nightwell/result.hpp"
#include "uncertainty/coverage_interval.hpp"

namespace nightwell::uncertainty {

// JCGM 101 7.9.2: u written as c · 10^l with c of that many digits; the tolerance is half of 10^l. 2 digits of 0.35:
// 0.005. Errors: bad_input (u not above 0 or not finite, digits not 1 to 4).
[[nodiscard]] Result<double> numerical_tolerance(double standard_uncertainty, int significant_digits);

struct Agreement {
  double d_low = 0;   // |y - U - y_low|
  double d_high = 0;  // |y + U - y_high|
  double tolerance = 0;
  bool validated = false;  // both differences at most the tolerance
};

// `gum_standard_uncertainty` sets the tolerance (8.1, step a). The Monte Carlo run must have had the same coverage
// probability and enough trials: options.for_validation in monte_carlo.hpp sees to the latter. Errors: as
// numerical_tolerance; bad_input (a value that is not finite).
[[nodiscard]] Result<Agreement> agreement(double gum_estimate, double gum_standard_uncertainty,
                                          double gum_expanded_uncertainty, const Interval& monte_carlo,
                                          int significant_digits = 2);

}  // namespace nightwell::uncertainty
