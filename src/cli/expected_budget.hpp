// What uncertainty a plan can reach, worked out before the night: each item's budget at each setpoint, with everything that the
// cards and the lab's budget state, and with readings that neither scatter nor drift. A night adds to it; what it may take away is
// only that items were not exactly at the setpoint, and measured junctions not at 23 °C.
//
// So what is missing from a budget, and a unit that was mistaken in it, are seen while they can still be put right: the budget
// is frozen in the journal with the plan.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "nightwell/result.hpp"
#include "results/results.hpp"
#include "sequence/plan.hpp"

namespace nightwell::cli {

// Channels, the lab's budget, and a plateau a setpoint whose items have `budget` and `verdict` (of an error of 0). No plateaus
// where the job names no budget. `today`: "2026-03-01", for what grows with the years. Errors: bad_input (lines that cannot be).
[[nodiscard]] Result<results::Results> expected_budgets(const sequence::Plan& plan, const std::string& today);

// For people: what results will lack, and each item's U at the setpoint where it is largest beside its limit. Empty for a survey.
[[nodiscard]] std::string expected_text(const sequence::Plan& plan, const std::string& today);

// The first line of that, where results will lack something; else empty. For whoever starts without a look at the plan.
[[nodiscard]] std::string expected_caution(const sequence::Plan& plan, const std::string& today);

// {"gaps": […], "items": [{"channel", "setpoint_c", "expanded_k", "limit_k"}, …]}; null without a budget.
[[nodiscard]] nlohmann::ordered_json expected_json(const sequence::Plan& plan, const std::string& today);

}  // namespace nightwell::cli
