// All commands. A command is one file in commands/ that defines one function add_…, and one line in each list
// below.
#pragma once

namespace CLI {
class App;
}

namespace nightwell::cli {

struct Context;

// Adds a command (or a family of them) to the program. Its callback does the work and notes Context::exit.
void add_plan(CLI::App& program, Context& context);
void add_survey(CLI::App& program, Context& context);
void add_start(CLI::App& program, Context& context);
void add_status(CLI::App& program, Context& context);
void add_watch(CLI::App& program, Context& context);
void add_requests(CLI::App& program, Context& context);
void add_runs(CLI::App& program, Context& context);
void add_tail(CLI::App& program, Context& context);
void add_verify(CLI::App& program, Context& context);
void add_keys(CLI::App& program, Context& context);
void add_results(CLI::App& program, Context& context);
void add_report(CLI::App& program, Context& context);
void add_fit(CLI::App& program, Context& context);
void add_compare(CLI::App& program, Context& context);
void add_history(CLI::App& program, Context& context);
void add_steady(CLI::App& program, Context& context);
void add_convert(CLI::App& program, Context& context);
void add_drivers(CLI::App& program, Context& context);
// Of the family `drivers`.
void add_drivers_talk(CLI::App& drivers, Context& context);

using AddCommand = void (*)(CLI::App& program, Context& context);

// In the order of --help: the order of a night.
inline constexpr AddCommand all_commands[] = {
    add_plan,    add_survey, add_start, add_status,  add_watch,   add_requests, add_runs,    add_tail,    add_verify,
    add_results, add_report, add_fit,   add_compare, add_history, add_steady,   add_convert, add_drivers, add_keys,
};

}  // namespace nightwell::cli
