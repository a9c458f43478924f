#include "uncertainty/budget.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

namespace {

constexpr auto combining = "combining an uncertainty budget";
constexpr double dominance_limit = 0.3;  // the others together, over the dominant line

Result<void> check_lines(std::span<const BudgetLine> lines) {
  if (lines.empty()) return bad_input(combining, "there are no lines; give at least one");
  for (std::size_t i = 0; i < lines.size(); ++i)
    if (!std::isfinite(lines[i].contribution()))
      return bad_input(combining, "line " + std::to_string(i) + " (" + lines[i].name + "): the sensitivity is " +
                                      number(lines[i].sensitivity) + "; it and the contribution must be finite");
  return {};
}

// Row i of the double sum: c_i u_i Σ_j r_ij c_j u_j. All of them add up to u².
std::vector<double> parts_of_square(std::span<const BudgetLine> lines, const CorrelationMatrix& matrix) {
  std::vector<double> signed_contribution, parts;
  for (const auto& line : lines)
    signed_contribution.push_back(line.sensitivity * line.distribution.standard_uncertainty());
  for (std::size_t i = 0; i < lines.size(); ++i) {
    double sum = 0;
    for (std::size_t j = 0; j < lines.size(); ++j) sum += matrix.at(i, j) * signed_contribution[j];
    parts.push_back(signed_contribution[i] * sum);
  }
  return parts;
}

double effective_degrees_of_freedom(std::span<const BudgetLine> lines, const CorrelationMatrix& matrix,
                                    std::span<const double> parts, double square) {
  if (!(square > 0)) return infinite_degrees_of_freedom;
  const auto group = matrix.groups();
  double sum = 0;  // of (u_g²/u²)² / ν_g: relative, so that no fourth power leaves a double's range
  for (std::size_t g = 0; g < lines.size(); ++g) {
    double part = 0, degrees_of_freedom = infinite_degrees_of_freedom;
    for (std::size_t i = g; i < lines.size(); ++i) {
      if (group[i] != g || !(lines[i].contribution() > 0)) continue;
      part += parts[i] / square;
      degrees_of_freedom = std::min(degrees_of_freedom, lines[i].distribution.degrees_of_freedom_of_uncertainty());
    }
    sum += part * part / degrees_of_freedom;
  }
  return sum > 0 ? 1 / sum : infinite_degrees_of_freedom;
}

std::optional<std::size_t> dominant_rectangular_line(std::span<const BudgetLine> lines, const CorrelationMatrix& matrix,
                                                     std::span<const double> parts, double square) {
  const auto largest = std::max_element(parts.begin(), parts.end());
  const auto place = static_cast<std::size_t>(largest - parts.begin());
  if (lines[place].distribution.shape() != Shape::rectangular || !(*largest > 0)) return std::nullopt;
  for (std::size_t i = 0; i < lines.size(); ++i)
    if (i != place && matrix.at(i, place) != 0) return std::nullopt;
  const double others = square - *largest;
  if (others > dominance_limit * dominance_limit * *largest) return std::nullopt;
  return place;
}

}  // namespace

double BudgetLine::contribution() const {
  return std::abs(sensitivity) * distribution.standard_uncertainty();
}

Result<BudgetResult> combine(std::span<const BudgetLine> lines, std::span<const Correlation> correlations,
                             const Coverage& coverage) {
  if (const auto ok = check_coverage(combining, coverage.probability); !ok) return ok.error();
  if (const auto ok = check_lines(lines); !ok) return ok.error();
  const auto matrix = CorrelationMatrix::of(lines.size(), correlations);
  if (!matrix) return matrix.error();

  BudgetResult out;
  out.coverage_probability = coverage.probability;
  const auto parts = parts_of_square(lines, *matrix);
  double square = 0;
  for (const double part : parts) square += part;
  square = std::max(square, 0.0);  // below 0 by rounding only: the matrix is positive semi-definite
  if (!std::isfinite(square))
    return bad_input(combining, "the contributions are too large to be squared; use a larger unit");
  out.standard_uncertainty = std::sqrt(square);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    out.contributions.push_back(lines[i].contribution());
    out.shares.push_back(square > 0 ? parts[i] / square : 0);
  }

  out.effective_degrees_of_freedom = effective_degrees_of_freedom(lines, *matrix, parts, square);
  if (coverage.dominant_rectangular) out.dominant_line = dominant_rectangular_line(lines, *matrix, parts, square);
  if (out.dominant_line) {
    out.coverage_factor = coverage.probability * std::numbers::sqrt3;
  } else {
    const auto k =
        uncertainty::coverage_factor(coverage.probability, out.effective_degrees_of_freedom, coverage.truncation);
    if (!k) return k.error();
    out.coverage_factor = *k;
  }
  out.expanded_uncertainty = out.coverage_factor * out.standard_uncertainty;
  return out;
}

}  // namespace nightwell::uncertainty
