// The resolved plan as the journal's opening records (kinds and keys: docs/journal.md).
//
// The plan's texts stand as they are: the journal's writer escapes them. Seconds are numbers, temperatures °C.
#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <vector>

#include "sequence/plan.hpp"

namespace nightwell::plan {

// The fields of record `plan`: scanners, sources, sampling, guards, cooldown, survey (null or object).
[[nodiscard]] nlohmann::ordered_json plan_record(const sequence::Plan& plan);

// The fields of record `card` of a channel; `channel` < plan.channels.size().
[[nodiscard]] nlohmann::ordered_json card_record(const sequence::Plan& plan, std::size_t channel);

// The fields of the records `dialect`: one for each dialect file that an instrument of the plan is described by.
[[nodiscard]] std::vector<nlohmann::ordered_json> dialect_records(const sequence::Plan& plan);

// The field of record `budget`; the plan has one.
[[nodiscard]] nlohmann::ordered_json budget_record(const sequence::Plan& plan);

// The fields of record `plateau_plan`; `index` < plan.plateaus.size().
[[nodiscard]] nlohmann::ordered_json plateau_record(const sequence::Plan& plan, std::size_t index);

}  // namespace nightwell::plan
