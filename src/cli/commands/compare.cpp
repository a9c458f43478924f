// nightwell compare: the same items in two runs, as found and as left.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/wording.hpp"
#include "report/report.hpp"
#include "results/change.hpp"

namespace nightwell::cli {
namespace {

struct CompareArguments {
  std::string earlier, later;
};

std::optional<results::Results> results_of(Context& context, const std::string& name) {
  const auto path = find_journal(name, context.state_root());
  if (!path) {
    context.fail(path.error());
    return std::nullopt;
  }
  auto found = results::compute(*path);
  if (!found) {
    context.fail(found.error());
    return std::nullopt;
  }
  for (const std::string& caution : report::cautions(*found)) tell(shown(found->run + ": " + caution));
  return std::move(found).value();
}

void compare(Context& context, const CompareArguments& arguments) {
  const auto earlier = results_of(context, arguments.earlier);
  const auto later = results_of(context, arguments.later);
  if (!earlier || !later) return;
  const auto found = results::changes(*earlier, *later);
  if (!found) return context.fail(found.error());
  say(report::changes(*earlier, *later, *found));
}

}  // namespace

void add_compare(CLI::App& program, Context& context) {
  auto* command =
      program.add_subcommand("compare", "the same items in two runs: what has changed, and by more than U?");
  auto arguments = std::make_shared<CompareArguments>();
  command->add_option("EARLIER", arguments->earlier, "a journal or a run's id: as found, or last year")->required();
  command->add_option("LATER", arguments->later, "as left, or this year")->required();
  command->callback([&context, arguments] { compare(context, *arguments); });
}

}  // namespace nightwell::cli
