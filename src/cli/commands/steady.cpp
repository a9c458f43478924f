// nightwell steady: a recorded log through the settle rule. When would a run have called it steady, and why not before? For
// choosing a profile's window, drift and spread from what a source really does.
#include <CLI/CLI.hpp>
#include <charconv>
#include <memory>

#include "cli/column_file.hpp"
#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/wording.hpp"
#include "sequence/settle_replay.hpp"

namespace nightwell::cli {
namespace {

struct SteadyArguments {
  std::string file, time, reference, setpoint;
  std::optional<double> every_s, at_c;
  double window_s = 0, drift_k = 0, spread_k = 0, band_k = 0, gap_s = 30;
};

Result<std::vector<sequence::LoggedReading>> read_log(const SteadyArguments& arguments) {
  std::vector<std::string> columns{arguments.reference};
  if (!arguments.at_c) columns.push_back(arguments.setpoint);
  if (!arguments.every_s) columns.push_back(arguments.time);
  const auto rows = read_columns(arguments.file, columns);
  if (!rows) return rows.error();
  std::vector<sequence::LoggedReading> out;
  for (const auto& row : *rows) {
    const double time_s = arguments.every_s ? static_cast<double>(out.size()) * *arguments.every_s : row.back();
    if (!out.empty() && time_s < out.back().time_s)
      return Error{Errc::bad_input, "reading a log",
                   "the time goes back from " + shortest(out.back().time_s) + " to " + shortest(time_s) + " s",
                   arguments.file + " row " + std::to_string(out.size() + 1)};
    out.push_back({time_s, arguments.at_c ? *arguments.at_c : row[1], row[0]});
  }
  // From the first reading, so that a log with the time of day keeps its microseconds.
  const double begun_s = out.front().time_s;
  for (auto& reading : out) reading.time_s -= begun_s;
  return out;
}

std::string after_text(double seconds) {
  const std::string text = fixed(seconds, 1);
  return std::string(text.size() < 9 ? 9 - text.size() : 0, ' ') + text + " s  ";
}

std::string page(const sequence::PlateauReplay& plateau) {
  std::string out = "Setpoint " + shortest(plateau.setpoint_c) + " °C, set at " + fixed(plateau.begun_s, 1) + " s\n";
  for (const auto& held : plateau.held) out += after_text(held.after_s) + "not yet: " + held.holding + "\n";
  if (!plateau.steady_after_s) return out + "           never steady\n";
  const auto& facts = plateau.facts;
  return out + after_text(*plateau.steady_after_s) + "steady: mean " + fixed(facts.mean_c, 4) + " °C, drift " +
         fixed(facts.drift_k, 4) + " K, spread " + fixed(facts.spread_k, 4) + " K, " + std::to_string(facts.readings) +
         " readings\n";
}

void show_steady(Context& context, const SteadyArguments& arguments) {
  const auto log = read_log(arguments);
  if (!log) return context.fail(log.error());
  const sequence::SettleRule rule{from_seconds(arguments.window_s), arguments.drift_k, arguments.spread_k, {}};
  for (const auto& plateau : sequence::replay_settle(*log, rule, from_seconds(arguments.gap_s), arguments.band_k)) {
    say(page(plateau));
    if (!plateau.steady_after_s) context.exit = Exit::unfinished;
  }
}

}  // namespace

void add_steady(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand(
      "steady", "when a recorded log would have been called steady, and why not before; exit 4 if it never was");
  auto arguments = std::make_shared<SteadyArguments>();
  command->add_option("LOG", arguments->file, "a table of numbers with a header line")->required();
  const auto column = [&](const char* option, std::string& name, const char* help) {
    return command->add_option(option, name, help)->type_name("COLUMN");
  };
  const auto number = [&](const char* option, auto& value, const char* unit, const char* help) {
    return command->add_option(option, value, help)->type_name(unit);
  };
  const CLI::Validator above_zero(
      [](const std::string& text) {
        double value = 0;
        std::from_chars(text.data(), text.data() + text.size(), value);
        return value > 0 ? std::string() : "\"" + text + "\" is not a number above 0";
      },
      "", "above zero");
  column("--reference", arguments->reference, "the reference's temperature, °C")->required();
  auto* time = column("--time", arguments->time, "the time, s");
  auto* every =
      number("--every", arguments->every_s, "s", "instead of --time: the rows are so far apart")->check(above_zero);
  auto* setpoint = column("--setpoint", arguments->setpoint, "the setpoint, °C; each change begins a plateau");
  auto* at = number("--at", arguments->at_c, "°C", "instead of --setpoint: one setpoint for the whole log");
  time->excludes(every);
  setpoint->excludes(at);
  number("--window", arguments->window_s, "s", "the settle window")->required()->check(above_zero);
  number("--drift", arguments->drift_k, "K", "largest drift over the window")->required()->check(above_zero);
  number("--spread", arguments->spread_k, "K", "largest spread in the window")->required()->check(above_zero);
  number("--band", arguments->band_k, "K", "the band around the setpoint")->required()->check(above_zero);
  number("--gap", arguments->gap_s, "s", "readings further apart restart the window (30)")->check(above_zero);
  command->callback([&context, arguments, time, every, setpoint, at] {
    if (time->empty() && every->empty()) throw CLI::RequiredError("--time or --every");
    if (setpoint->empty() && at->empty()) throw CLI::RequiredError("--setpoint or --at");
    show_steady(context, *arguments);
  });
}

}  // namespace nightwell::cli
