// The checks between the files, and the plan that they make together.
//
// Each check runs as far as the drafts that it needs are sound: a setpoint is held against the source's limits even
// where the source's port is wrong. An absent draft (no JSON at all) silences only the checks that need it.
#pragma once

#include <map>
#include <optional>
#include <string>

#include "plan/drafts.hpp"
#include "plan/loader.hpp"
#include "uncertainty/lab_budget.hpp"

namespace nightwell::plan {

struct Drafts {
  std::optional<ProfileDraft> profile;
  std::optional<BenchDraft> bench;
  std::optional<JobDraft> job;
  std::map<std::string, CardDraft> cards;  // by the path as the job writes it; those that are JSON
  std::optional<uncertainty::LabBudget> budget;
};

// Adds a fault for everything that does not fit together. `accepted` gets the serials of overdue references that the
// options let pass.
void check_together(const Drafts& drafts, const LoadOptions& options, FaultList& faults,
                    std::vector<std::string>& accepted);

// All drafts are there and no fault was found. Scanners that none of the job's channels uses are left out; sources stay,
// used or not: a park brings every one of them to its safe state.
[[nodiscard]] sequence::Plan make_plan(const Drafts& drafts);

}  // namespace nightwell::plan
