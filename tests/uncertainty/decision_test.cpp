// Decision rules: limits themselves, narrow tolerances, no uncertainty, far tails, and what is refused.
#include "uncertainty/decision.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace nightwell::uncertainty;

namespace {

const DecisionRule simple_rule{RuleKind::simple_acceptance}, guard_rule{RuleKind::guard_band},
    risk_rule{RuleKind::largest_risk, 1, 0.05};
const Tolerance quarter{-0.25, 0.25};

Verdict verdict_of(const Tolerance& tolerance, double value, double expanded, const DecisionRule& rule) {
  return decide(tolerance, {value, expanded / 2, expanded}, rule)->verdict;
}

}  // namespace

TEST_CASE("On a limit of acceptance is accepted; on the far end of the guard band is not yet outside") {
  CHECK(verdict_of(quarter, 0.25, 0.125, simple_rule) == Verdict::within);
  CHECK(verdict_of(quarter, -0.25, 0.125, simple_rule) == Verdict::within);
  CHECK(verdict_of(quarter, std::nextafter(0.25, 1), 0.125, simple_rule) == Verdict::outside);
  CHECK(verdict_of(quarter, 0.125, 0.125, guard_rule) == Verdict::within);
  CHECK(verdict_of(quarter, std::nextafter(0.125, 1), 0.125, guard_rule) == Verdict::not_decided);
  CHECK(verdict_of(quarter, -0.375, 0.125, guard_rule) == Verdict::not_decided);
  CHECK(verdict_of(quarter, std::nextafter(-0.375, -1), 0.125, guard_rule) == Verdict::outside);
}

TEST_CASE("Simple acceptance always decides; the others never accept what is uncertain") {
  for (double value = -0.6; value <= 0.6; value += 0.01) {
    for (const double expanded : {0.0, 0.01, 0.2, 0.8}) {
      INFO(value << " +- " << expanded);
      CHECK(verdict_of(quarter, value, expanded, simple_rule) != Verdict::not_decided);
      const auto guarded = decide(quarter, {value, expanded / 2, expanded}, guard_rule);
      const auto by_risk = decide(quarter, {value, expanded / 2, expanded}, risk_rule);
      if (guarded->verdict == Verdict::within) CHECK(guarded->risk_of_false_acceptance <= 2 * 0.02276);
      if (guarded->verdict == Verdict::outside) CHECK(guarded->probability_of_conformance <= 0.02276);
      CHECK((by_risk->verdict == Verdict::within) == (by_risk->risk_of_false_acceptance <= 0.05));
      CHECK((by_risk->verdict == Verdict::outside) == (by_risk->probability_of_conformance <= 0.05));
    }
  }
}

TEST_CASE("A tolerance narrower than the guard bands accepts nothing") {
  CHECK(verdict_of(quarter, 0, 0.3, guard_rule) == Verdict::not_decided);
  CHECK(verdict_of(quarter, 0, 0.8, risk_rule) == Verdict::not_decided);
}

TEST_CASE("Without uncertainty all rules say the same, and the probability is a step") {
  for (const double value : {-0.3, -0.25, 0.0, 0.25, 0.3}) {
    const auto plain = verdict_of(quarter, value, 0, simple_rule);
    CHECK(verdict_of(quarter, value, 0, guard_rule) == plain);
    CHECK(verdict_of(quarter, value, 0, risk_rule) == plain);
    CHECK(*probability_of_conformance(quarter, value, 0) == (plain == Verdict::within ? 1 : 0));
  }
}

TEST_CASE("Small probabilities keep their digits on both sides") {
  const double six_sigma = 9.865876450e-10;  // upper tail of a normal at 6, tables from memory; ILAC-G8 "6 sigma"
  CHECK(decide({std::nullopt, 1.0}, {0.4, 0.1, 0.2}, simple_rule)->risk_of_false_acceptance == Approx(six_sigma));
  CHECK(*probability_of_conformance({std::nullopt, 1.0}, 1.6, 0.1) == Approx(six_sigma));
  CHECK(*probability_of_conformance({-9.0, 1.0}, 1.6, 0.1) == Approx(six_sigma));
  CHECK(*probability_of_conformance({1.0, 9.0}, 0.4, 0.1) == Approx(six_sigma));
}

TEST_CASE("What cannot be decided about is refused") {
  const double not_a_number = std::numeric_limits<double>::quiet_NaN();
  const auto refusal = [](const Tolerance& tolerance, const Measured& measured, const DecisionRule& rule) {
    const auto out = decide(tolerance, measured, rule);
    REQUIRE_FALSE(out);
    CHECK(out.error().code == nightwell::Errc::bad_input);
    return out.error().text();
  };
  CHECK_THAT(refusal({}, {}, simple_rule), Catch::Contains("no limit"));
  CHECK_THAT(refusal({1.0, 1.0}, {}, simple_rule), Catch::Contains("not below"));
  CHECK_THAT(refusal({1.0, not_a_number}, {}, simple_rule), Catch::Contains("limit"));
  CHECK_THAT(refusal(quarter, {not_a_number, 0, 0}, simple_rule), Catch::Contains("measured value"));
  CHECK_THAT(refusal(quarter, {0, -1, 0}, simple_rule), Catch::Contains("standard uncertainty"));
  CHECK_THAT(refusal(quarter, {0, 1, not_a_number}, guard_rule), Catch::Contains("expanded uncertainty"));
  CHECK_THAT(refusal(quarter, {0, 1, 2}, {RuleKind::guard_band, -1}), Catch::Contains("ratio"));
  for (const double risk : {0.0, 0.5, 2.5, not_a_number})
    CHECK_THAT(refusal(quarter, {0, 1, 2}, {RuleKind::largest_risk, 1, risk}), Catch::Contains("largest risk"));
  for (const RuleKind kind : {RuleKind::simple_acceptance, RuleKind::guard_band, RuleKind::largest_risk})
    CHECK(rule_named(name(kind)) == kind);
  CHECK_FALSE(rule_named("shared_risk"));
}
