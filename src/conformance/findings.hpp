// What a conformance run found: one outcome a case, as values. How they are shown: report.hpp.
#pragma once

#include <string>
#include <vector>

#include "conformance/faulty_line.hpp"

namespace nightwell::conformance {

enum class Verdict { passed, failed, skipped };

struct Outcome {
  std::string subject;                // what was tried: "reading channel 101"
  std::string condition;              // in what state of the line or the source: "the reply twice"
  std::string happened;               // what came of it, or why it was skipped; one line
  Verdict verdict = Verdict::failed;  // a case that did not run to its end has failed
  double seconds = 0;
  std::vector<Passage> evidence{};  // what passed on the line
};

struct Findings {
  std::string identity;  // as it answered first; untrusted
  std::vector<Outcome> outcomes{};
  std::string ended_early{};  // why the rest of the cases was not tried; empty: all were

  [[nodiscard]] std::size_t count(Verdict verdict) const;
  // Every case was tried or skipped for a stated reason, and none failed.
  [[nodiscard]] bool passed() const { return ended_early.empty() && count(Verdict::failed) == 0 && !outcomes.empty(); }
};

}  // namespace nightwell::conformance
