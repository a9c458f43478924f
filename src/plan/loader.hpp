// Profile, bench, job and sensor cards -> one checked plan, or every fault that can be told at once.
//
// Pure: no disk, no clock. The format of the four files is docs/files.md. What is checked, beyond types, ranges and
// unknown or doubled keys, is listed there under "Checked together". A check that needs a part that is itself wrong is
// left out: fixing what is reported never was in vain, but a second look may find more.
#pragma once

#include <string>
#include <variant>

#include "plan/fault.hpp"
#include "plan/input_files.hpp"
#include "sequence/plan.hpp"

namespace nightwell::plan {

struct LoadOptions {
  bool accept_overdue = false;  // references past their due date are listed in Plan::accepted_overdue, not refused
  std::string today;            // ISO date; a reference that is due today is still good
};

using LoadResult = std::variant<sequence::Plan, Faults>;

// A plan (whose indices are all valid: channels are references, items, then junction channels, each in the job's order;
// scanners are those that the job's channels need, sources are all of the bench) or at least one fault.
[[nodiscard]] LoadResult load(const InputFiles& files, const LoadOptions& options);

}  // namespace nightwell::plan
