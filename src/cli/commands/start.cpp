// nightwell start: checks the files, then has the daemon start the run. The run's id alone is the first line of
// standard output, for scripts.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/expected_budget.hpp"
#include "cli/look.hpp"
#include "cli/plan_files.hpp"

namespace nightwell::cli {
namespace {

void start(Context& context, const PlanArguments& arguments) {
  const auto checked = check_plan(context, arguments);
  if (!checked) return;
  const auto answer = start_run(context, *checked, arguments);
  if (!answer) return;
  if (arguments.as_json) return say_json(*answer);
  const std::string run = text_at(*answer, "run");
  say(run + "\n");
  if (const auto caution = expected_caution(checked->plan, today()); !caution.empty()) tell(caution);
  tell("started; `nightwell watch " + run + "` shows it");
}

}  // namespace

void add_start(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("start", "check the files and start a run; prints its id");
  auto arguments = std::make_shared<PlanArguments>();
  add_plan_arguments(*command, *arguments);
  command->callback([&context, arguments] { start(context, *arguments); });
}

}  // namespace nightwell::cli
