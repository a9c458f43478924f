// Correlation coefficients between inputs, and what makes a set of them possible at all.
//
// Inputs are named by their place in a list (from 0). Pairs that are not listed are uncorrelated. Source: JCGM
// 100:2008 (GUM) 5.2.2; JCGM 101:2008 6.4.8.4 (the matrix of a multivariate normal must be positive semi-definite).
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::uncertainty {

struct Correlation {
  std::size_t first = 0;
  std::size_t second = 0;
  double coefficient = 0;  // -1 to 1, dimensionless
};

// The list as a full matrix, and its lower triangular root (Cholesky): matrix = root · rootᵀ, both row by row.
class CorrelationMatrix {
 public:
  // Errors: bad_input (a place outside the list, a pair of one input with itself or given twice, a coefficient outside
  // -1 to 1, or coefficients that cannot hold together: A like B, B like C, A opposite to C).
  static Result<CorrelationMatrix> of(std::size_t count, std::span<const Correlation> pairs);

  [[nodiscard]] double at(std::size_t row, std::size_t column) const { return matrix_[row * count_ + column]; }
  [[nodiscard]] double root_at(std::size_t row, std::size_t column) const { return root_[row * count_ + column]; }
  // For each input the group it belongs to: inputs joined by a coefficient other than 0, directly or through others,
  // share a group. A group's number is the place of its first input.
  [[nodiscard]] std::vector<std::size_t> groups() const;

 private:
  [[nodiscard]] bool take_root();

  std::size_t count_ = 0;
  std::vector<double> matrix_, root_;
};

}  // namespace nightwell::uncertainty
