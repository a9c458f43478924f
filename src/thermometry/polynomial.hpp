// A polynomial with its slope, by Horner's rule: the workhorse of the reference and deviation functions.
#pragma once

#include <cstddef>
#include <span>

namespace nightwell::thermometry {

struct ValueAndSlope {
  double value = 0, slope = 0;
};

// c[0] + c[1] x + c[2] x² + …; zero for no coefficients. `Real` is what it is summed in: long double where large terms
// cancel.
template <class Real = double>
[[nodiscard]] constexpr ValueAndSlope polynomial(std::span<const double> c, double x) {
  Real value = 0, slope = 0;
  for (std::size_t i = c.size(); i-- > 0;) {
    slope = slope * x + value;
    value = value * x + c[i];
  }
  return {static_cast<double>(value), static_cast<double>(slope)};
}

}  // namespace nightwell::thermometry
