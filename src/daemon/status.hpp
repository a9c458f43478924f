// A run as its STATUS object (docs/control.md).
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

#include "guardian/report.hpp"
#include "sequence/estimate.hpp"
#include "sequence/sequencer.hpp"

namespace nightwell::daemon {

// What the executor knows besides plan and run.
struct StatusFacts {
  std::string run_id, journal, opened_utc, utc, expected_finish_utc, why, waiting_for;
  Instant now;
  double speed = 1;
  std::vector<sequence::SurveyFinding> findings;
  std::optional<sequence::Ending> ending;
  std::vector<std::optional<guardian::Parked>> parked;  // per source
};

[[nodiscard]] nlohmann::ordered_json status_json(const sequence::Plan& plan, const sequence::Run& run,
                                                 const StatusFacts& facts);

}  // namespace nightwell::daemon
