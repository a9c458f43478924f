// Profile, bench and job from disk, checked on this side first: faults are told where the files are, and the daemon is
// only asked to start what it will not refuse.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "cli/context.hpp"
#include "plan/fault.hpp"
#include "plan/input_files.hpp"
#include "sequence/plan.hpp"

namespace CLI {
class App;
}

namespace nightwell::cli {

struct PlanArguments {
  std::string profile, bench, job;
  bool accept_overdue = false;
  bool as_json = false;
};

// The date in UTC, as the daemon takes it: both sides must agree on whether a certificate is overdue.
[[nodiscard]] std::string today();

// PROFILE BENCH JOB [--accept-overdue] [--json]
void add_plan_arguments(CLI::App& command, PlanArguments& arguments);

// Says all faults and notes exit code 2: on standard error, or as JSON on standard output, {"ok": false, "faults": […]}.
void tell_faults(Context& context, const std::vector<plan::Fault>& faults, bool as_json);

struct CheckedPlan {
  plan::InputFiles files;
  sequence::Plan plan;
};

// Says all faults on standard error (with --json: on standard output, as {"ok": false, "faults": […]}) and notes exit
// code 2 where there are any.
std::optional<CheckedPlan> check_plan(Context& context, const PlanArguments& arguments);

// Asks the daemon to start it; gives the daemon's answer. Says what is wrong and notes the exit code otherwise.
std::optional<nlohmann::json> start_run(Context& context, const CheckedPlan& checked, const PlanArguments& arguments);

}  // namespace nightwell::cli
