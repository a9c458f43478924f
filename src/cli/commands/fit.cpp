// nightwell fit: an item's own coefficients from a finished run, and the sensor card that the next run can use.
#include <CLI/CLI.hpp>
#include <filesystem>
#include <fstream>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/wording.hpp"
#include "plan/sensor_json.hpp"
#include "plan/tolerance_json.hpp"
#include "report/report.hpp"
#include "results/fit_item.hpp"

namespace nightwell::cli {
namespace {

struct FitArguments {
  std::string journal, item, card;
  results::FitOptions options;
  bool with_constant = false;
};

// The limits of use stay those of the old card: they are what the sensor stands, and a reading beyond them parks a run. Where
// the plateaus were is said beside.
nlohmann::ordered_json card_of(const results::Results& found, const results::ItemFit& fit) {
  const auto& channel = found.channels[fit.channel];
  nlohmann::ordered_json out{{"format", "nightwell-card/1"},
                             {"serial", channel.serial},
                             {"type", channel.type},
                             {"model", plan::model_json(fit.fit.model)},
                             {"lowest_c", channel.lowest_c},
                             {"highest_c", channel.highest_c},
                             {"certificate", "run " + found.run + ", journal head " + found.verification.head},
                             {"calibrated", found.opened_utc.substr(0, 10)}};
  if (fit.u95_k) out["u95_k"] = *fit.u95_k;
  if (channel.tolerance) out["tolerance"] = plan::tolerance_json(*channel.tolerance);
  return out;
}

// Never over a file that is there: a card may be all that is left of a calibration.
Result<void> write_card(const std::string& path, const std::string& text) {
  const auto failed = [&](const std::string& why) {
    return Error{Errc::storage, "writing the sensor card", why, path};
  };
  std::error_code ignored;
  if (std::filesystem::exists(path, ignored)) return failed("there is such a file already: give another name");
  std::ofstream file(path, std::ios::binary);
  file << text;
  file.close();
  if (!file) return failed("it could not be written");
  return {};
}

void show_fit(Context& context, const FitArguments& arguments) {
  const auto path = find_journal(arguments.journal, context.state_root());
  if (!path) return context.fail(path.error());
  const auto found = results::compute(*path);
  if (!found) return context.fail(found.error());
  const auto fit = results::fit_item(*found, arguments.item, arguments.options);
  if (!fit) return context.fail(fit.error());
  say(report::fit(*found, *fit));
  for (const std::string& caution : report::cautions(*found)) tell(shown(caution));
  if (arguments.card.empty()) return;
  if (auto written = write_card(arguments.card, card_of(*found, *fit).dump(2) + "\n"); !written)
    return context.fail(written.error());
  if (!fit->u95_k) tell("the card has no u95_k: a plateau has no whole budget, or the fit too few plateaus");
  tell("the plateaus went from " + fixed(fit->fit.range.low_c, 1) + " to " + fixed(fit->fit.range.high_c, 1) +
       " °C: beyond them the card's coefficients are a guess");
  tell("a reference's card also needs \"due\": that is for whoever signs the calibration");
}

}  // namespace

void add_fit(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("fit", "an item's own coefficients from a run, and a sensor card with them");
  auto arguments = std::make_shared<FitArguments>();
  command->add_option("ITEM", arguments->item, "its channel or serial number")->required();
  command->add_option("JOURNAL", arguments->journal,
                      "a file, a folder with a journal, or a run's id; the newest run if left out");
  command->add_option("-o,--output", arguments->card, "write a sensor card to this new file")->type_name("FILE");
  command
      ->add_option("--degree", arguments->options.degree,
                   "of a thermocouple's deviation in °C (2), or of a thermistor's polynomial in ln R, 1 to 5 (the "
                   "card's equation)")
      ->check(CLI::Range(0, 15))
      ->type_name("N");
  command->add_flag("--with-constant", arguments->with_constant, "a thermocouple's circuit may have an emf at 0 °C");
  command->add_flag("--with-c", arguments->options.fit_c, "fit C of a platinum thermometer too (plateaus below 0 °C)");
  command->add_option("--subrange", arguments->options.subrange, "ITS-90 subrange of an SPRT (the card's)")
      ->check(CLI::Range(1, 11))
      ->type_name("N");
  command->callback([&context, arguments] {
    arguments->options.through_zero = !arguments->with_constant;
    show_fit(context, *arguments);
  });
}

}  // namespace nightwell::cli
