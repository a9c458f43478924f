// Decision rules against ILAC-G8:09/2019 and JCGM 106:2012 (data/decision_rules.json; origins in data/README.md).
#include "uncertainty/decision.hpp"

#include <cmath>

#include "published.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using namespace nightwell::uncertainty;

namespace {

Decision decided(const Tolerance& tolerance, const Measured& measured, const DecisionRule& rule) {
  const auto out = decide(tolerance, measured, rule);
  REQUIRE(out);
  return *out;
}

const DecisionRule simple{RuleKind::simple_acceptance};

}  // namespace

TEST_CASE("ILAC-G8: every case by simple acceptance, guard bands of U and 0.83 U, with three answers and with two") {
  const auto cases = json_file("decision_rules.json")["cases_derived"];
  REQUIRE(cases.size() >= 7);
  for (const auto& one : cases) {
    INFO(one.dump());
    const double limit = one["tolerance_C"], expanded = one["U_k2_C"];
    const Tolerance tolerance{-limit, limit};
    const Measured measured{one["error_C"], expanded / 2, expanded};
    const auto verdict = [&](const DecisionRule& rule) { return decided(tolerance, measured, rule).verdict; };
    const DecisionRule whole{RuleKind::guard_band}, narrower{RuleKind::guard_band, 0.83};

    CHECK(verdict(simple) == (one["simple"] == "pass" ? Verdict::within : Verdict::outside));
    // The binary rule (4.2.2) is ours with not_decided read as fail.
    CHECK((verdict(whole) == Verdict::within) == (one["guard w=U"] == "pass"));
    CHECK((verdict(narrower) == Verdict::within) == (one["guard w=0.83U"] == "pass"));
    const auto word = one["non-binary w=U"].get<std::string>();
    CHECK(verdict(whole) == (word == "pass"   ? Verdict::within
                             : word == "fail" ? Verdict::outside
                                              : Verdict::not_decided));
    CHECK(decided(tolerance, measured, simple).probability_of_conformance ==
          Approx(one["P(conform) two-sided normal"].get<double>()).margin(1e-6));
  }
}

TEST_CASE("ILAC-G8: the risk at the limit of acceptance for guard bands of r U") {
  const auto risks = json_file("decision_rules.json")["ilac_g8"]["derived_specific_risk_at_the_acceptance_limit"];
  REQUIRE(risks.size() == 5);
  for (const auto& [ratio, risk] : risks.items()) {
    INFO(ratio);
    // Upper limit 10, U = 0.2; exact powers are not needed: the limit of acceptance is approached from the accepted
    // side.
    const double acceptance = 10 - number(ratio) * 0.2;
    const auto found =
        decided({std::nullopt, 10.0}, {acceptance - 1e-12, 0.1, 0.2}, {RuleKind::guard_band, number(ratio)});
    CHECK(found.verdict == Verdict::within);
    CHECK(found.risk_of_false_acceptance == Approx(risk.get<double>()).epsilon(1e-4));
  }
}

TEST_CASE("JCGM 106: probabilities of conformance for one limit and for two") {
  const auto data = json_file("decision_rules.json");
  const auto& cases = data["jcgm106_one_sided"];
  REQUIRE(cases.size() == 3);
  const auto upper = probability_of_conformance({std::nullopt, -5.40}, -5.47, 0.05);
  CHECK(*upper == Approx(cases[0]["derived"].get<double>()).margin(1e-6));
  CHECK(std::abs(*upper - cases[0]["p_conform"].get<double>()) <= 0.005);
  const auto lower = probability_of_conformance({490.0, std::nullopt}, 509.7, 8.6);
  CHECK(*lower == Approx(cases[1]["derived"].get<double>()).margin(1e-5));
  CHECK(std::abs(*lower - cases[1]["p_conform"].get<double>()) <= 0.005);
  CHECK(*probability_of_conformance({12.5, 16.3}, 13.6, 1.8) == Approx(cases[2]["derived"].get<double>()).margin(1e-5));

  const auto& process = data["specific_risk_example"];  // N(10, 0.4), limits 9 and 11
  CHECK(decided({9.0, 11.0}, {10, 0.4, 0.8}, simple).risk_of_false_acceptance ==
        Approx(process["P_out"].get<double>()).epsilon(1e-5));
}
