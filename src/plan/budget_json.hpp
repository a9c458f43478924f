// The lab's uncertainty budget as JSON, the same in the file that a job names and in journals (docs/uncertainty.md).
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "nightwell/result.hpp"
#include "uncertainty/lab_budget.hpp"

namespace nightwell::plan {

class ObjectReader;

inline constexpr const char* budget_format = "nightwell-budget/1";

// With its format, in the order of docs/uncertainty.md; reads back as the same value.
[[nodiscard]] nlohmann::ordered_json budget_json(const uncertainty::LabBudget& budget);

// One effect as it stands in such a file; `unit`: "k", or "v", "ohm", "a" of a scanner's.
[[nodiscard]] nlohmann::ordered_json effect_json(const uncertainty::Effect& effect, const std::string& unit);

// Errors: bad_input, with the pointer inside the budget and what is allowed there; the first fault of several.
[[nodiscard]] Result<uncertainty::LabBudget> budget_from_json(const nlohmann::ordered_json& json);

// For files that want every fault; what is sound is read all the same.
[[nodiscard]] uncertainty::LabBudget read_budget(ObjectReader& reader);

}  // namespace nightwell::plan
