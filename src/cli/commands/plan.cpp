// nightwell plan check: checks profile, bench and job and shows what would be done. Touches no instrument and asks no
// daemon.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/expected_budget.hpp"
#include "cli/plan_files.hpp"
#include "cli/plan_text.hpp"
#include "plan/plan_json.hpp"

namespace nightwell::cli {
namespace {

// The frozen plan as the journal's opening records hold it.
nlohmann::ordered_json plan_json(const sequence::Plan& plan) {
  nlohmann::ordered_json out = {{"ok", true}, {"profile", plan.profile}, {"bench", plan.bench}, {"job", plan.job}};
  out["accepted_overdue"] = plan.accepted_overdue;
  out["files"] = plan.files;
  out["plan"] = plan::plan_record(plan);
  out["cards"] = nlohmann::ordered_json::array();
  for (std::size_t i = 0; i < plan.channels.size(); ++i) out["cards"].push_back(plan::card_record(plan, i));
  out["plateaus"] = nlohmann::ordered_json::array();
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i) out["plateaus"].push_back(plan::plateau_record(plan, i));
  out["uncertainty"] = expected_json(plan, today());
  return out;
}

void check(Context& context, const PlanArguments& arguments) {
  const auto checked = check_plan(context, arguments);
  if (!checked) return;
  if (arguments.as_json)
    say_json(plan_json(checked->plan));
  else
    say(plan_text(checked->plan) + expected_text(checked->plan, today()));
}

}  // namespace

void add_plan(CLI::App& program, Context& context) {
  auto* family = program.add_subcommand("plan", "look at a plan before it is started");
  family->require_subcommand(1);
  auto* command = family->add_subcommand("check", "check the files and print what would be done");
  auto arguments = std::make_shared<PlanArguments>();
  add_plan_arguments(*command, *arguments);
  command->callback([&context, arguments] { check(context, *arguments); });
}

}  // namespace nightwell::cli
