// Type A statistics of repeated readings (JCGM 100:2008, 4.2).
//
// Values in any unit, results in the same. Sums are taken about the first value, so a small scatter on a large value
// keeps its digits.
#pragma once

#include <span>

namespace nightwell::uncertainty {

// The arithmetic mean. `values` is not empty.
[[nodiscard]] double mean(std::span<const double> values);

// The experimental standard deviation, n - 1 in the denominator (JCGM 100, 4.2.2). At least two values.
[[nodiscard]] double sample_standard_deviation(std::span<const double> values);

// The experimental standard deviation of the mean, s / sqrt(n) (JCGM 100, 4.2.3). At least two values.
[[nodiscard]] double standard_deviation_of_mean(std::span<const double> values);

}  // namespace nightwell::uncertainty
