// nightwell runs: all runs in the daemon's state folder, or that a relay serves, newest last.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"
#include "cli/relay_runs.hpp"
#include "cli/wording.hpp"
#include "journal/stored_runs.hpp"

namespace nightwell::cli {
namespace {

// What the journals alone tell, in the daemon's form.
Result<nlohmann::json> runs_of_journals(const Context& context) {
  const auto state = context.state_root();
  if (!state) return state.error();
  const auto stored = journal::stored_runs(*state / "runs");
  if (!stored) return stored.error();
  auto out = nlohmann::json::array();
  for (const auto& run : *stored)
    out.push_back({{"run", run.run},
                   {"state", !run.trouble.empty() ? "cannot be read" : run.ending.value_or("not closed")},
                   {"profile", run.profile},
                   {"bench", run.bench},
                   {"job", run.job},
                   {"opened_utc", run.opened_utc},
                   {"ending", run.ending ? nlohmann::json(*run.ending) : nlohmann::json()},
                   {"journal", run.journal.string()}});
  return out;
}

// The daemon knows which runs go on. Whoever may read journals but not ask it, or has none, is told what the journals say.
std::optional<nlohmann::json> find_runs(Context& context) {
  const auto answer = ask_once(context.socket(), {{"ask", "runs"}}, answer_deadline);
  if (answer && !answer->refusal) return list_at(answer->body, "runs");
  if (answer) {
    context.fail(*answer->refusal);
    return std::nullopt;
  }
  auto runs = runs_of_journals(context);
  if (!runs) {
    context.fail(answer.error());
    return std::nullopt;
  }
  tell("by the journals alone, which do not tell a run that goes on from one that ended without closing: " +
       shown(answer.error().text()));
  return std::move(runs).value();
}

void list_runs(Context& context, bool as_json) {
  const auto found = find_runs(context);
  if (!found) return;
  const auto& runs = *found;
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
