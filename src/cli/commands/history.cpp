// nightwell history: one sensor over its certificates. Reads sensor cards; asks no daemon.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>
#include <optional>
#include <string_view>
#include <variant>

#include "cli/amount.hpp"
#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/plan_files.hpp"
#include "cli/wording.hpp"
#include "plan/loader.hpp"
#include "report/report.hpp"
#include "results/drift_history.hpp"

namespace nightwell::cli {
namespace {

struct HistoryArguments {
  std::vector<std::string> cards;
  std::optional<std::string> at;
  bool as_json = false;
};

// Every card's faults at once; nothing where there is one.
std::optional<std::vector<results::Certificate>> certificates_of(Context& context, const HistoryArguments& arguments) {
  std::vector<results::Certificate> out;
  std::vector<plan::Fault> faults;
  for (const std::string& path : arguments.cards) {
    auto loaded = plan::load_card(plan::gather_one(path));
    if (const auto* wrong = std::get_if<std::vector<plan::Fault>>(&loaded)) {
      faults.insert(faults.end(), wrong->begin(), wrong->end());
      continue;
    }
    auto& card = std::get<sequence::SensorCard>(loaded);
    out.push_back({path, card.serial, card.certificate, card.calibrated, card.u95_k,
                   thermometry::TemperatureSpan{card.lowest_c, card.highest_c}, std::move(card.model)});
  }
  if (faults.empty()) return out;
  tell_faults(context, faults, arguments.as_json);
  return std::nullopt;
}

Result<std::vector<double>> temperatures_of(std::string_view list) {
  std::vector<double> out;
  for (std::size_t from = 0; from <= list.size();) {
    const std::size_t comma = std::min(list.find(',', from), list.size());
    const std::string text(list.substr(from, comma - from));
    from = comma + 1;
    const auto amount = parse_amount(text);
    if (!amount) {
      Error error = amount.error();
      error.where = "--at";
      return error;
    }
    if (amount->unit.quantity != Quantity::temperature)
      return Error{Errc::bad_input, "--at " + text, "this is a temperature, in " + unit_names(Quantity::temperature),
                   ""};
    out.push_back(amount->base());
  }
  return out;
}

void show_history(Context& context, const HistoryArguments& arguments) {
  auto certificates = certificates_of(context, arguments);
  if (!certificates) return;
  auto at_c = arguments.at ? temperatures_of(*arguments.at) : Result(std::vector<double>());
  if (!at_c) return context.fail(at_c.error());
  const auto found = results::drift_history(*std::move(certificates), std::move(at_c).value());
  if (!found) return context.fail(found.error());
  say(arguments.as_json ? report::drift_history_json(*found) : report::drift_history(*found));
}

}  // namespace

void add_history(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand(
      "history", "one sensor over its certificates: what it drifts in a year, and a budget line");
  auto arguments = std::make_shared<HistoryArguments>();
  command->add_option("CARD", arguments->cards, "sensor cards of one serial number, in any order")
      ->required()
      ->expected(2, 1000);
  command
      ->add_option("--at", arguments->at,
                   "temperatures with their units, as 0C,25C; left out: a few over the range of all cards")
      ->type_name("T,T,…");
  command->add_flag("--json", arguments->as_json, "as JSON");
  command->callback([&context, arguments] { show_history(context, *arguments); });
}

}  // namespace nightwell::cli
