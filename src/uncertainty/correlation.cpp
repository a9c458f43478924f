#include "uncertainty/correlation.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

namespace {

// What is left of a row's square by rounding alone, in a matrix whose diagonal is 1. Coefficients rounded to the
// digits of a table may miss a possible matrix by more: those are refused, since nobody can say which of them is
// wrong.
constexpr double rounding = 1e-10;

}  // namespace

Result<CorrelationMatrix> CorrelationMatrix::of(std::size_t count, std::span<const Correlation> pairs) {
  constexpr auto doing = "reading the correlations";
  CorrelationMatrix out;
  out.count_ = count;
  out.matrix_.assign(count * count, 0.0);
  for (std::size_t i = 0; i < count; ++i) out.matrix_[i * count + i] = 1;

  std::vector<bool> given(count * count);
  for (const auto& [first, second, coefficient] : pairs) {
    const std::string pair = "inputs " + std::to_string(first) + " and " + std::to_string(second);
    if (first >= count || second >= count)
      return bad_input(doing, pair + ": there are only " + std::to_string(count) + ", counted from 0");
    if (first == second) return bad_input(doing, pair + ": an input is not correlated with itself; leave the pair out");
    if (!(coefficient >= -1 && coefficient <= 1))
      return bad_input(doing, pair + ": the coefficient is " + number(coefficient) + "; it must lie between -1 and 1");
    if (given[first * count + second]) return bad_input(doing, pair + " are given twice; keep one of them");
    given[first * count + second] = given[second * count + first] = true;
    out.matrix_[first * count + second] = out.matrix_[second * count + first] = coefficient;
  }
  if (!out.take_root())
    return bad_input(
        doing,
        "the coefficients cannot hold together (their matrix is not positive semi-definite); give more digits, "
        "or correct the pair that contradicts the others");
  return out;
}

// Cholesky; a row whose square is used up (fully correlated with the rows before) gets a zero on the diagonal.
bool CorrelationMatrix::take_root() {
  root_.assign(count_ * count_, 0.0);
  for (std::size_t row = 0; row < count_; ++row) {
    for (std::size_t column = 0; column <= row; ++column) {
      double rest = at(row, column);
      for (std::size_t k = 0; k < column; ++k) rest -= root_at(row, k) * root_at(column, k);
      double& entry = root_[row * count_ + column];
      if (row == column) {
        if (rest < -rounding) return false;
        entry = rest > rounding ? std::sqrt(rest) : 0;
      } else if (root_at(column, column) > 0) {
        entry = rest / root_at(column, column);
      } else if (std::abs(rest) > std::sqrt(rounding)) {
        return false;
      }
    }
  }
  return true;
}

std::vector<std::size_t> CorrelationMatrix::groups() const {
  std::vector<std::size_t> group(count_);
  for (std::size_t i = 0; i < count_; ++i) group[i] = i;
  for (std::size_t i = 0; i < count_; ++i)
    for (std::size_t j = i + 1; j < count_; ++j)
      if (at(i, j) != 0 && group[i] != group[j]) {
        const auto [low, high] = std::minmax({group[i], group[j]});
        std::replace(group.begin(), group.end(), std::size_t{high}, std::size_t{low});
      }
  return group;
}

}  // namespace nightwell::uncertainty
