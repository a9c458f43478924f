// nightwell runs: all runs in the daemon's state folder, or that a relay serves, newest last.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"
#include "cli/relay_runs.hpp"

namespace nightwell::cli {
namespace {

void list_runs(Context& context, bool as_json) {
  const auto answer = context.ask({{"ask", "runs"}});
  if (!answer) return;
  const auto& runs = list_at(*answer, "runs");
  if (as_json) return say_json(runs);
  if (runs.empty()) return say("no runs yet\n");
  std::vector<std::vector<std::string>> rows = {{"RUN", "STATE", "OPENED", "PROFILE", "BENCH", "JOB"}};
  for (const auto& run : runs)
    rows.push_back({text_at(run, "run"), words(raw_text_at(run, "state")), utc_text(raw_text_at(run, "opened_utc")),
                    text_at(run, "profile"), text_at(run, "bench"), text_at(run, "job")});
  say(table(rows));
}

}  // namespace

void add_runs(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("runs", "list all runs, newest last");
  auto as_json = std::make_shared<bool>(false);
  command->add_flag("--json", *as_json, "as JSON");
  auto relay = std::make_shared<std::string>(), at = std::make_shared<std::string>();
  auto* from = command->add_option("--relay", *relay, "those of a relay: the follower's file")->type_name("NAME.pem");
  command->add_option("--at", *at, "where the relay is, instead of the address in the follower's file")
      ->type_name("HOST:PORT")
      ->needs(from);
  command->callback([&context, as_json, relay, at] {
    if (relay->empty())
      list_runs(context, *as_json);
    else
      list_relay_runs(context, *relay, *at, *as_json);
  });
}

}  // namespace nightwell::cli
