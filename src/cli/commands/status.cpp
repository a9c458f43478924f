// nightwell status: where the open runs, or a named one, are now.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"
#include "cli/terminal.hpp"
#include "cli/watch_view.hpp"

namespace nightwell::cli {
namespace {

struct StatusArguments {
  std::string run;
  bool as_json = false;
};

void show_status(Context& context, const StatusArguments& arguments) {
  nlohmann::json request = {{"ask", "status"}};
  if (!arguments.run.empty()) request["run"] = arguments.run;
  const auto answer = context.ask(request);
  if (!answer) return;
  if (arguments.as_json) return say_json(*answer);
  const auto& runs = list_at(*answer, "runs");
  if (runs.empty()) return say("no run is open\n");
  const int columns = stdout_is_terminal() ? terminal_size().columns : 100;
  for (const auto& run : runs) say((&run == &runs.front() ? "" : "\n") + render(run, columns, 0) + "\n");
}

}  // namespace

void add_status(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("status", "where the open runs are now");
  auto arguments = std::make_shared<StatusArguments>();
  command->add_option("RUN", arguments->run, "only this run; it may have ended");
  command->add_flag("--json", arguments->as_json, "the daemon's answer as JSON");
  command->callback([&context, arguments] { show_status(context, *arguments); });
}

}  // namespace nightwell::cli
