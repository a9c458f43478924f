// A polynomial with its slope, by Horner's rule: the workhorse of the reference and deviation functions.
#pragma once

#include <cstddef>
#include <span>

namespace nightwell::thermometry {

struct ValueAndSlope {
  double value = 0, slope = 0;
};

// c[0] + c[1] x + c[2] x² + …; zero for no coefficients.
[[nodiscard]] constexpr ValueAndSlope polynomial(std::span<const double> c, double x) {
  ValueAndSlope out;
  for (std::size_t i = c.size(); i-- > 0;) {
    out.slope = out.slope * x + out.value;
    out.value = out.value * x + c[i];
  }
  return out;
}

}  // namespace nightwell::thermometry
