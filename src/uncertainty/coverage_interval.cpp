#include "uncertainty/coverage_interval.hpp"

#include <algorithm>
#include <cmath>

namespace nightwell::uncertainty {

namespace {

// Puts the lowest `outside` values and the highest `outside` in order at the ends; the rest may stand anywhere between.
void order_ends(std::span<double> values, std::size_t outside) {
  const auto first = values.begin(), last = values.end();
  const auto edge = static_cast<std::ptrdiff_t>(outside);
  if (2 * outside >= values.size()) return std::sort(first, last);
  std::nth_element(first, first + edge, last);
  std::nth_element(first + edge, last - edge, last);
  std::sort(first, first + edge);
  std::sort(last - edge, last);
}

}  // namespace

CoverageIntervals coverage_intervals(std::span<double> values, double coverage) {
  const std::size_t count = values.size();
  // JCGM 101 7.7.2: q = pM, or the integer part of pM + 1/2; r = (M - q)/2, or the integer part of (M - q + 1)/2.
  const auto inside =
      std::min(static_cast<std::size_t>(std::floor(coverage * static_cast<double>(count) + 0.5)), count - 1);
  const std::size_t outside = count - inside;  // at least 1
  order_ends(values, outside);

  CoverageIntervals out;
  const std::size_t below = (outside + 1) / 2 - 1;  // r counts from 1
  out.symmetric = {values[below], values[below + inside]};
  out.shortest = {values[0], values[inside]};
  for (std::size_t r = 1; r < outside; ++r)
    if (values[r + inside] - values[r] < out.shortest.high - out.shortest.low)
      out.shortest = {values[r], values[r + inside]};
  return out;
}

}  // namespace nightwell::uncertainty
