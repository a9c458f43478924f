// nightwell results: what a run found, worked out again from its journal.
#include "results/results.hpp"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>
#include <thread>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/wording.hpp"
#include "report/report.hpp"

namespace nightwell::cli {
namespace {

struct ResultsArguments {
  std::string name;
  bool as_json = false, as_csv = false, budgets = false, monte_carlo = false;
  std::uint64_t seed = 1;
  int digits = 1;
};

std::string monte_carlo_text(const results::Results& found, const ResultsArguments& arguments) {
  const unsigned threads = std::max(1U, std::thread::hardware_concurrency());
  return report::monte_carlo(found, results::monte_carlo_of_all(found, arguments.seed, arguments.digits, threads));
}

void show_results(Context& context, const ResultsArguments& arguments) {
  const auto path = find_journal(arguments.name, context.state_root());
  if (!path) return context.fail(path.error());
  const auto found = results::compute(*path);
  if (!found) {
    context.fail(found.error());
    context.exit = Exit::bad_input;
    return;
  }
  if (arguments.as_json) {
    say(report::json(*found));
  } else if (arguments.as_csv) {
    say(report::csv(*found));
    // The table has no room for them, and numbers must not travel without.
    for (const std::string& caution : report::cautions(*found)) tell(shown(caution));
  } else if (arguments.budgets) {
    say(report::budgets(*found));
  } else if (arguments.monte_carlo) {
    say(monte_carlo_text(*found, arguments));
  } else {
    say(report::text(*found));
  }
  if (found->ending != "finished") context.exit = Exit::unfinished;
}

}  // namespace

void add_results(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("results", "what a run found; exit 0 if it finished, 4 if not");
  auto arguments = std::make_shared<ResultsArguments>();
  command->add_option("JOURNAL", arguments->name,
                      "a file, a folder with a journal, or a run's id; the newest run if left out");
  auto* as_json = command->add_flag("--json", arguments->as_json, "as JSON");
  auto* as_csv = command->add_flag("--csv", arguments->as_csv, "as a table for a spreadsheet")->excludes(as_json);
  command->add_flag("--budgets", arguments->budgets, "every line of every uncertainty budget")
      ->excludes(as_json)
      ->excludes(as_csv);
  auto* monte_carlo = command->add_flag("--monte-carlo", arguments->monte_carlo,
                                        "each budget by the Monte Carlo method too, and whether the two agree");
  monte_carlo->excludes(as_json)->excludes(as_csv);
  command->add_option("--seed", arguments->seed, "of its random numbers (1)")->type_name("N")->needs(monte_carlo);
  command->add_option("--digits", arguments->digits, "of u that the two must agree in: 1 or 2 (1)")
      ->check(CLI::Range(1, 2))
      ->type_name("N")
      ->needs(monte_carlo);
  command->callback([&context, arguments] { show_results(context, *arguments); });
}

}  // namespace nightwell::cli
