#include "uncertainty/decision.hpp"

#include <cmath>
#include <limits>
#include <string>

#include "uncertainty/coverage.hpp"
#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

namespace {

constexpr auto deciding = "deciding about a tolerance";
constexpr double infinitely_far = std::numeric_limits<double>::infinity();

Result<void> check_tolerance(const Tolerance& tolerance) {
  if (!tolerance.lower && !tolerance.upper) return bad_input(deciding, "the tolerance has no limit; give at least one");
  for (const auto& limit : {tolerance.lower, tolerance.upper})
    if (limit && !std::isfinite(*limit))
      return bad_input(deciding, "a limit is " + number(*limit) + "; leave out a limit that does not exist");
  if (tolerance.lower && tolerance.upper && !(*tolerance.lower < *tolerance.upper))
    return bad_input(deciding, "the lower limit " + number(*tolerance.lower) + " is not below the upper limit " +
                                   number(*tolerance.upper));
  return {};
}

Result<void> check_measured(double value, double standard_uncertainty, double expanded_uncertainty) {
  if (!std::isfinite(value)) return bad_input(deciding, "the measured value is " + number(value));
  if (const auto ok = check_size(deciding, "the standard uncertainty", standard_uncertainty); !ok) return ok;
  return check_size(deciding, "the expanded uncertainty", expanded_uncertainty);
}

Result<void> check_rule(const DecisionRule& rule) {
  if (rule.kind == RuleKind::guard_band)
    return check_size(deciding, "the guard band's ratio to U", rule.guard_band_ratio);
  if (rule.kind == RuleKind::largest_risk && !(rule.largest_risk > 0 && rule.largest_risk < 0.5))
    return bad_input(deciding, "the largest risk is " + number(rule.largest_risk) +
                                   "; it must lie between 0 and 0.5 (0.025 for 2.5 %)");
  return {};
}

bool inside(const Tolerance& tolerance, double value, double margin) {
  return !(tolerance.lower && value < *tolerance.lower + margin) &&
         !(tolerance.upper && value > *tolerance.upper - margin);
}

struct Probabilities {
  double inside = 0, outside = 0;
};

// Each with its own digits where it is small: a value far outside is inside with 10^-9, not with 1 - 0.999….
Probabilities probabilities(const Tolerance& tolerance, double value, double u) {
  if (!(u > 0)) return inside(tolerance, value, 0) ? Probabilities{1, 0} : Probabilities{0, 1};
  const double above_lower = tolerance.lower ? (value - *tolerance.lower) / u : infinitely_far;
  const double below_upper = tolerance.upper ? (*tolerance.upper - value) / u : infinitely_far;
  const double out = normal_cdf(-above_lower) + normal_cdf(-below_upper);
  if (below_upper < 0) return {normal_cdf(below_upper) - normal_cdf(-above_lower), out};
  if (above_lower < 0) return {normal_cdf(above_lower) - normal_cdf(-below_upper), out};
  return {1 - out, out};
}

Verdict verdict_by_guard_band(const Tolerance& tolerance, double value, double guard_band) {
  if (inside(tolerance, value, guard_band)) return Verdict::within;
  return inside(tolerance, value, -guard_band) ? Verdict::not_decided : Verdict::outside;
}

Verdict verdict_by_risk(const Probabilities& probability, double largest_risk) {
  if (probability.outside <= largest_risk) return Verdict::within;
  return probability.inside <= largest_risk ? Verdict::outside : Verdict::not_decided;
}

}  // namespace

const char* name(RuleKind kind) {
  switch (kind) {
    case RuleKind::simple_acceptance: return "simple_acceptance";
    case RuleKind::guard_band: return "guard_band";
    case RuleKind::largest_risk: return "largest_risk";
  }
  return "guard_band";
}

const char* name(Verdict verdict) {
  switch (verdict) {
    case Verdict::within: return "within";
    case Verdict::outside: return "outside";
    case Verdict::not_decided: return "not_decided";
  }
  return "not_decided";
}

std::optional<RuleKind> rule_named(std::string_view word) {
  for (const RuleKind kind : {RuleKind::simple_acceptance, RuleKind::guard_band, RuleKind::largest_risk})
    if (word == name(kind)) return kind;
  return std::nullopt;
}

Result<Decision> decide(const Tolerance& tolerance, const Measured& measured, const DecisionRule& rule) {
  const auto& [value, standard_uncertainty, expanded_uncertainty] = measured;
  if (const auto ok = check_tolerance(tolerance); !ok) return ok.error();
  if (const auto ok = check_measured(value, standard_uncertainty, expanded_uncertainty); !ok) return ok.error();
  if (const auto ok = check_rule(rule); !ok) return ok.error();

  const auto probability = probabilities(tolerance, value, standard_uncertainty);
  Decision out;
  out.probability_of_conformance = probability.inside;
  out.risk_of_false_acceptance = probability.outside;
  switch (rule.kind) {
    case RuleKind::simple_acceptance: out.verdict = verdict_by_guard_band(tolerance, value, 0); break;
    case RuleKind::guard_band:
      out.guard_band = rule.guard_band_ratio * expanded_uncertainty;
      out.verdict = verdict_by_guard_band(tolerance, value, out.guard_band);
      break;
    case RuleKind::largest_risk: out.verdict = verdict_by_risk(probability, rule.largest_risk); break;
  }
  return out;
}

Result<double> probability_of_conformance(const Tolerance& tolerance, double value, double standard_uncertainty) {
  if (const auto ok = check_tolerance(tolerance); !ok) return ok.error();
  if (const auto ok = check_measured(value, standard_uncertainty, 0); !ok) return ok.error();
  return probabilities(tolerance, value, standard_uncertainty).inside;
}

}  // namespace nightwell::uncertainty
