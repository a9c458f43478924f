// Coverage intervals of a sample: of the values that a Monte Carlo run gave, in their unit.
//
// Source: JCGM 101:2008 7.7. Of M values in order, an interval holds q = pM of them (7.7.2, rounded to a whole number).
#pragma once

#include <cstddef>
#include <span>

namespace nightwell::uncertainty {

struct Interval {
  double low = 0;
  double high = 0;
};

struct CoverageIntervals {
  Interval symmetric;  // probabilistically: as much probability below as above
  Interval shortest;   // the shortest that holds pM values; of several the lowest
};

// Reorders the values (no full sort is needed, and a million values are worth the difference). The values must be at
// least 1 / (1 - coverage) in number and finite, the coverage between 0 and 1: the caller's duty.
[[nodiscard]] CoverageIntervals coverage_intervals(std::span<double> values, double coverage);

}  // namespace nightwell::uncertainty
