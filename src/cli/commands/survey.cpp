// nightwell survey: starts a survey, waits for its end, and shows which sensors are not where they should be.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/look.hpp"
#include "cli/plan_files.hpp"
#include "cli/run_status.hpp"
#include "cli/survey_text.hpp"

namespace nightwell::cli {
namespace {

struct SurveyArguments {
  PlanArguments plan;
  bool detach = false;
};

void wait_for_survey(Context& context, const std::string& run, bool as_json) {
  auto status = find_run(context, run);
  if (!status) return;
  const Followed followed = follow_run(context, run, std::move(*status), [](const nlohmann::json&) {});
  if (!followed.given_up.empty()) {
    tell(followed.given_up);
    context.exit = Exit::refused;
  } else if (!ended(followed.status)) {
    tell("the survey goes on; `nightwell status " + shown(run) + "` shows it");
  } else {
    if (as_json)
      say_json(followed.status);
    else
      say(survey_text(followed.status));
    context.exit = exit_of(followed.status);
    if (context.exit != Exit::done) tell("the survey did not finish: " + text_at(followed.status, "why"));
  }
}

void survey(Context& context, const SurveyArguments& arguments) {
  const auto checked = check_plan(context, arguments.plan);
  if (!checked) return;
  if (!checked->plan.survey) {
    tell("this profile has plateaus and would heat: use `nightwell start`, or give a profile with a survey");
    context.exit = Exit::bad_input;
    return;
  }
  const auto answer = start_run(context, *checked, arguments.plan);
  if (!answer) return;
  if (!arguments.detach) {
    tell("survey " + text_at(*answer, "run") + " is on, for " + duration_text(to_seconds(checked->plan.survey->lasts)));
    return wait_for_survey(context, raw_text_at(*answer, "run"), arguments.plan.as_json);
  }
  if (arguments.plan.as_json) return say_json(*answer);
  say(text_at(*answer, "run") + "\n");
}

}  // namespace

void add_survey(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("survey", "read every channel for a while and say which are wrong");
  auto arguments = std::make_shared<SurveyArguments>();
  add_plan_arguments(*command, arguments->plan);
  command->add_flag("--detach", arguments->detach, "do not wait for the end; prints the run's id");
  command->callback([&context, arguments] { survey(context, *arguments); });
}

}  // namespace nightwell::cli
