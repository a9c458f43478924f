// Decision rules: what a measured value and its uncertainty say about a tolerance.
//
// All values in one unit. A tolerance has a lower limit, an upper limit or both. A value exactly on a limit of
// acceptance is accepted. x: measured value, u: standard, U: expanded uncertainty (k as the report says, usually 2).
// P: probability of conformance, the part of a normal distribution of mean x and standard deviation u that lies inside
// the tolerance, whatever was known before (JCGM 106:2012 7.2 to 7.4). 1 - P: the specific risk of accepting this item
// falsely.
//
//   rule               within                        outside                         not_decided
//   simple_acceptance  lower <= x <= upper           any other x                     never: the uncertainty is not
//                                                                                    looked at, the risk at a limit is 50 %
//   guard_band         lower + w <= x <= upper - w   x < lower - w, x > upper + w    any other x: nearer to a limit than w,
//   (w = r U, r = 1)                                                                 or the tolerance is narrower than 2 w
//   largest_risk       1 - P <= p                    P <= p                          any other x: neither answer is safe
//   (p, below 0.5)                                                                   enough
//
// Sources: simple acceptance and guard band: ILAC-G8:09/2019 4.2.1, 4.2.2 (w = U: at most 2.5 % risk at one limit) and
// 4.2.3 (what we call not_decided is its conditional pass and conditional fail; who wants the binary rule of 4.2.2
// reads not_decided as fail). Largest risk: JCGM 106:2012 clauses 7 and 8 (clause numbers from memory). Check values:
// tests/published. Errors: bad_input (no limit, limits in the wrong order, a number that is not finite, an uncertainty
// below 0, r below 0, p not between 0 and 0.5).
#pragma once

#include <optional>
#include <string_view>

#include "nightwell/result.hpp"

namespace nightwell::uncertainty {

struct Tolerance {
  std::optional<double> lower;
  std::optional<double> upper;  // above lower
};

struct Measured {
  double value = 0;
  double standard_uncertainty = 0;
  double expanded_uncertainty = 0;
};

enum class RuleKind { simple_acceptance, guard_band, largest_risk };
enum class Verdict { within, outside, not_decided };

// The words for files and reports (the enumerators' own names), and back.
[[nodiscard]] const char* name(RuleKind kind);
[[nodiscard]] const char* name(Verdict verdict);
[[nodiscard]] std::optional<RuleKind> rule_named(std::string_view word);

struct DecisionRule {
  RuleKind kind = RuleKind::guard_band;
  double guard_band_ratio = 1;  // r in w = r U; read by guard_band only. ISO 14253-1:2017: 0.83; ILAC-G8 table: 0 to 3
  double largest_risk = 0.025;  // p; read by largest_risk only
};

struct Decision {
  Verdict verdict = Verdict::not_decided;
  double guard_band = 0;                  // w, unit of the value; 0 for the other rules
  double probability_of_conformance = 0;  // P, whatever the rule
  double risk_of_false_acceptance = 0;    // 1 - P without loss of digits, should the item be accepted
};

[[nodiscard]] Result<Decision> decide(const Tolerance& tolerance, const Measured& measured, const DecisionRule& rule);

// P alone. With u = 0 it is 1 inside and on the limits, 0 outside.
[[nodiscard]] Result<double> probability_of_conformance(const Tolerance& tolerance, double value,
                                                        double standard_uncertainty);

}  // namespace nightwell::uncertainty
