// An uncertainty budget by the GUM uncertainty framework: lines combined into one standard and one expanded
// uncertainty.
//
// Each line is one input quantity: what is known about it in its own unit (Distribution), and the sensitivity c =
// ∂y/∂x, so that |c| u is its contribution in the unit of the result. The result is in the unit of y throughout.
//
//   combined     u² = Σ c_i² u_i² + 2 Σ Σ c_i c_j u_i u_j r_ij         GUM 5.1.2 (equation 10), 5.2.2 (equations 13, 16)
//   degrees      ν_eff = u⁴ / Σ (u_g⁴ / ν_g)                           GUM G.4.1 (equation G.2b), Welch-Satterthwaite
//   expanded     U = k u, k = t_p(ν_eff), ν_eff cut to an integer     GUM 6.2, G.3, G.6.4
//
// Correlated lines: Welch-Satterthwaite holds for independent contributions only. Lines joined by correlations
// (directly or through others) are therefore taken as one contribution u_g, whose square contains their correlation
// terms, with the smallest degrees of freedom ν_g among its members that contribute; exact for means of n simultaneous
// observations (ν = n - 1, GUM H.2), otherwise a choice of ours without a source, on the safe side unless the lines all
// but cancel. Groups are independent of each other.
//
// First order only: where sensitivities vanish or the model bends within the uncertainties (GUM 5.1.2 note), use
// monte_carlo.hpp.
// Errors: bad_input (no lines, a sensitivity or correlation that cannot be, a coverage not between 0 and 1).
// Check values: tests/published (GUM H.1, H.2, G.4.1; EA-4/02 S3, S5, S9, S12).
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "uncertainty/correlation.hpp"
#include "uncertainty/coverage.hpp"
#include "uncertainty/distribution.hpp"

namespace nightwell::uncertainty {

struct BudgetLine {
  std::string name;
  std::string unit;  // of the distribution; for people
  Distribution distribution;
  double sensitivity = 1;   // unit of the result over the line's unit; of either sign
  std::string source = {};  // where the figure comes from: a certificate, a data sheet, "10 readings"

  [[nodiscard]] double contribution() const;  // |c| u, unit of the result
};

struct Coverage {
  double probability = default_coverage;
  Truncation truncation = Truncation::to_lower_integer;
  // EA-4/02 S9: where one rectangular line dominates, the result is as good as rectangular and k = p √3 (1.65 for 95
  // %), less than a normal would ask. Off unless asked for; it needs that line alone, uncorrelated, and all others
  // together no more than 0.3 of it (EA-4/02 S9.14; the clause and its limit from memory).
  bool dominant_rectangular = false;
};

struct BudgetResult {
  double standard_uncertainty = 0;
  double effective_degrees_of_freedom = infinite_degrees_of_freedom;  // not truncated; infinite when u is 0
  double coverage_probability = default_coverage;
  double coverage_factor = 0;  // k
  double expanded_uncertainty = 0;
  // The line by which k = p √3 was chosen; none when k is of Student's t.
  std::optional<std::size_t> dominant_line;
  std::vector<double> contributions;  // |c| u, in the order of the lines
  // Each line's part of u²: c_i u_i Σ_j r_ij c_j u_j / u². They sum to 1; without correlations each is c²u²/u². A line
  // whose correlations take more away than it brings has a part below 0. All 0 when u is 0.
  std::vector<double> shares;
};

[[nodiscard]] Result<BudgetResult> combine(std::span<const BudgetLine> lines,
                                           std::span<const Correlation> correlations = {},
                                           const Coverage& coverage = {});

}  // namespace nightwell::uncertainty
