// nightwell drivers: the instruments' side of the program.
#include <CLI/CLI.hpp>

#include "cli/commands.hpp"

namespace nightwell::cli {

void add_drivers(CLI::App& program, Context& context) {
  auto* family = program.add_subcommand("drivers", "talk to instruments");
  family->require_subcommand(1);
  add_drivers_talk(*family, context);
}

}  // namespace nightwell::cli
