#include "cli/plan_files.hpp"

#include <CLI/CLI.hpp>
#include <chrono>
#include <variant>

#include "cli/look.hpp"
#include "cli/wording.hpp"
#include "plan/loader.hpp"

namespace nightwell::cli {
namespace {

nlohmann::json fault_json(const plan::Fault& fault) {
  return {{"file", fault.file},       {"pointer", fault.pointer}, {"found", fault.found},
          {"allowed", fault.allowed}, {"message", fault.message}, {"line", fault.line},
          {"column", fault.column},   {"text", plan::text(fault)}};
}

}  // namespace

std::string today() {
  const std::chrono::year_month_day date{std::chrono::floor<std::chrono::days>(std::chrono::system_clock::now())};
  const auto digits = [](unsigned value) { return (value < 10 ? "0" : "") + std::to_string(value); };
  return std::to_string(static_cast<int>(date.year())) + "-" + digits(static_cast<unsigned>(date.month())) + "-" +
         digits(static_cast<unsigned>(date.day()));
}

void tell_faults(Context& context, const std::vector<plan::Fault>& faults, bool as_json) {
  context.exit = Exit::bad_input;
  if (as_json) {
    nlohmann::json list = nlohmann::json::array();
    for (const plan::Fault& fault : faults) list.push_back(fault_json(fault));
    return say_json(nlohmann::json{{"ok", false}, {"faults", std::move(list)}});
  }
  for (const plan::Fault& fault : faults) tell(shown(plan::text(fault)));
  tell(faults.size() == 1 ? "1 fault" : std::to_string(faults.size()) + " faults");
}

void add_plan_arguments(CLI::App& command, PlanArguments& arguments) {
  command.add_option("PROFILE", arguments.profile, "what to do")->required();
  command.add_option("BENCH", arguments.bench, "the instruments and channels")->required();
  command.add_option("JOB", arguments.job, "what is on the bench tonight")->required();
  command.add_flag("--accept-overdue", arguments.accept_overdue,
                   "use references past their due date; the journal will say so");
  command.add_flag("--json", arguments.as_json, "as JSON");
}

std::optional<CheckedPlan> check_plan(Context& context, const PlanArguments& arguments) {
  auto files = plan::gather(arguments.profile, arguments.bench, arguments.job);
  plan::LoadOptions options;
  options.accept_overdue = arguments.accept_overdue;
  options.today = today();
  auto loaded = plan::load(files, options);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) {
    tell_faults(context, *faults, arguments.as_json);
    return std::nullopt;
  }
  return CheckedPlan{std::move(files), std::get<sequence::Plan>(std::move(loaded))};
}

std::optional<nlohmann::json> start_run(Context& context, const CheckedPlan& checked, const PlanArguments& arguments) {
  nlohmann::json request = {{"ask", "start"}, {"accept_overdue", arguments.accept_overdue}};
  request["files"] = plan::files_to_json(checked.files);
  auto answer = context.ask(request);
  if (answer && raw_text_at(*answer, "run").empty()) {
    tell("the daemon started something but did not say its name: see `nightwell runs`");
    context.exit = Exit::refused;
    return std::nullopt;
  }
  return answer;
}

}  // namespace nightwell::cli
