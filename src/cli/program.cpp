#include "cli/program.hpp"

#include <CLI/CLI.hpp>
#include <cstdio>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/wording.hpp"
#include "plan/nearest.hpp"

namespace nightwell::cli {
namespace {

// The word that stands where a command's name should; CLI11 itself says only that a command is missing.
std::string unknown_command(const CLI::App& program) {
  const CLI::App* family = &program;
  while (!family->get_subcommands().empty()) family = family->get_subcommands().front();
  const auto left_over = program.remaining(true);
  if (left_over.empty() || family->get_require_subcommand_min() == 0) return "";
  std::vector<std::string> known;
  for (const CLI::App* command : family->get_subcommands([](const CLI::App*) { return true; }))
    known.push_back(command->get_name());
  const std::string& word = left_over.front();
  const bool option = word.substr(0, 1) == "-";
  const std::string near = option ? "" : plan::meant(word, known);
  return std::string(option ? "no option" : "no command") + " is called \"" + shown(word) + "\" here" +
         (near.empty() ? "" : "; " + near) + "; with --help: what there is";
}

}  // namespace

int run_program(int count, char** arguments) {
  Context context;
  CLI::App program("Nightwell: calibrates temperature sensors through the night.", "nightwell");
  program.set_version_flag("--version", std::string("nightwell ") + NIGHTWELL_VERSION);
  program.add_option("--runtime", context.runtime, "folder of the daemon's control socket")->type_name("DIR");
  program.add_option("--state", context.state, "folder where runs are kept")->type_name("DIR");
  program.require_subcommand(1);
  program.fallthrough();  // --runtime and --state may stand behind the command too
  program.footer(
      "Exit codes: 0 done, 1 a driver failed its check, 2 bad input, 3 refused or no daemon, 4 the run did not "
      "finish, 5 not sealed (verify --key), 6 another history (tail --relay).");
  for (AddCommand add : all_commands) add(program, context);
  try {
    program.parse(count, arguments);
  } catch (const CLI::ParseError& error) {
    // CLI11 has a code of its own for each mistake; to callers all of them are bad input.
    if (const auto unknown = unknown_command(program); error.get_exit_code() != 0 && !unknown.empty()) {
      tell(unknown);
      return static_cast<int>(Exit::bad_input);
    }
    return program.exit(error) == 0 ? 0 : static_cast<int>(Exit::bad_input);
  } catch (const std::exception& error) {
    // A mistake of ours. Caught so that everything is put back on the way out, the terminal above all.
    tell(std::string("this should not have happened: ") + error.what());
    return static_cast<int>(Exit::bad_input);
  }
  // Numbers that did not reach the disk must not look as if they had.
  if (std::fflush(stdout) != 0 || std::ferror(stdout) != 0) {
    tell("the output could not be written");
    return static_cast<int>(Exit::bad_input);
  }
  return static_cast<int>(context.exit);
}

}  // namespace nightwell::cli
