// A checked plan as the records that open a journal (docs/journal.md, `plan`, `card`, `plateau_plan`).
//
// The functions give a record's own fields; `n`, `utc`, `kind` and the chain are the journal's.
#pragma once

#include <cstddef>
#include <nlohmann/json_fwd.hpp>

#include "sequence/plan.hpp"

namespace nightwell::plan {

[[nodiscard]] nlohmann::ordered_json plan_record(const sequence::Plan& plan);
// `channel` and `plateau` are indices into the plan and must be in range.
[[nodiscard]] nlohmann::ordered_json card_record(const sequence::Plan& plan, std::size_t channel);
[[nodiscard]] nlohmann::ordered_json plateau_record(const sequence::Plan& plan, std::size_t plateau);

// Everything above in one object, for programs: names and hashes, the fields of `plan`, "channels" and "plateaus"
// (arrays of card and plateau records), "expected_s".
[[nodiscard]] nlohmann::ordered_json resolved_json(const sequence::Plan& plan);

}  // namespace nightwell::plan
