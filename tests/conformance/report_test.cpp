// The report: what an instrument says can do nothing to it, and a verdict never says more than was found.
#include "conformance/report.hpp"

#include <catch2/catch.hpp>

namespace {

using namespace nightwell::conformance;

Findings one_case(Verdict verdict) {
  Findings findings;
  findings.identity = "Evil\x1b[2J|*`\n# heading";
  Outcome outcome;
  outcome.subject = "reading channel 101";
  outcome.condition = "the reply twice";
  outcome.happened = "23 °C | fine";
  outcome.verdict = verdict;
  outcome.evidence = {{Passage::Way::to_instrument, "T?\r"}, {Passage::Way::to_driver, "```\n# no heading\x80"}};
  findings.outcomes.push_back(outcome);
  return findings;
}

TEST_CASE("The summary passes only what ran to its end without a failure", "[conformance_report]") {
  CHECK(summary(one_case(Verdict::passed)) == "1 of 1 cases passed, none failed");
  CHECK_THAT(summary(one_case(Verdict::failed)), Catch::StartsWith("FAILED: 1 of 1 cases"));
  Findings early = one_case(Verdict::passed);
  early.ended_early = "stopped by a signal";
  CHECK_FALSE(early.passed());
  CHECK_THAT(summary(early), Catch::StartsWith("NOT FINISHED") && Catch::Contains("stopped by a signal"));
  CHECK_FALSE(Findings().passed());
}

TEST_CASE("A report is whole Markdown whatever an instrument says, and JSON says the same", "[conformance_report]") {
  ReportHead head;
  head.driver = "dialect";
  head.dialect = "plain-bath";
  head.instrument = "bath";
  const Findings findings = one_case(Verdict::failed);
  const std::string text = to_markdown(head, findings);
  CHECK_THAT(text, Catch::Contains("NO INSTRUMENT WAS ASKED"));
  CHECK_THAT(text, Catch::Contains("| reading channel 101 | the reply twice | 23 °C \\| fine | FAILED |"));
  CHECK_THAT(text, !Catch::Contains("\x1b") && !Catch::Contains("\n# heading") && !Catch::Contains("\n# no heading"));
  const auto json = to_json(head, findings);
  CHECK(json["passed"] == false);
  CHECK(json["port"].is_null());
  CHECK(json["cases"][0]["verdict"] == "failed");
  CHECK(json["cases"][0]["line"][0]["bytes"] == "T?\\x0d");
}

}  // namespace
