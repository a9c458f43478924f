// What the page says of each item: verdicts, errors, budgets.
#include <algorithm>

#include "report/budget_words.hpp"
#include "report/numbers.hpp"
#include "report/page_data.hpp"

namespace nightwell::report {

namespace {

using results::Answer;
using results::BudgetLine;
using results::Channel;
using results::Direction;
using results::Item;
using results::ItemBudget;
using results::Plateau;
using results::Results;
using results::Revisited;
using results::Verdict;

constexpr int kelvin_decimals = 4;  // 0.1 mK

// The plateaus' entries for a channel; nullptr where a plateau has none.
std::vector<const Item*> over_plateaus(const Results& results, std::size_t channel) {
  std::vector<const Item*> out;
  for (const Plateau& plateau : results.plateaus) {
    const auto found = std::find_if(plateau.items.begin(), plateau.items.end(),
                                    [&](const Item& item) { return item.readings.channel == channel; });
    out.push_back(found == plateau.items.end() ? nullptr : &*found);
  }
  return out;
}

std::string answer_words(const std::optional<Verdict>& verdict) {
  if (!verdict) return "-";
  return verdict->answer == Answer::not_decided ? "not decided" : std::string(name(verdict->answer));
}

bool is_outside(const std::optional<Verdict>& verdict) {
  return verdict && verdict->answer == Answer::outside;
}

std::string tolerance_words(const Channel& channel) {
  return channel.tolerance ? thermometry::name(*channel.tolerance) : "-";
}

PageData identity_entry(const Channel& channel) {
  PageData out;
  put(out, "name", channel.name);
  put(out, "serial", or_dash(channel.serial));
  put(out, "type", channel.type);
  put(out, "tolerance", tolerance_words(channel));
  out.set("has_type", PageData(!channel.type.empty()));
  return out;
}

PageData list_entry(const Channel& channel) {
  PageData out = identity_entry(channel);
  put(out, "range", shown_number(channel.lowest_c, 0) + " to " + shown_number(channel.highest_c, 0));
  put(out, "left_out", channel.left_out ? "yes: " + *channel.left_out : "no");
  return out;
}

PageData verdict_entry(const Results& results, std::size_t index) {
  std::size_t within = 0, outside = 0, open = 0, none = 0;
  for (const Item* item : over_plateaus(results, index)) {
    if (!item || !item->verdict)
      ++none;
    else if (item->verdict->answer == Answer::within)
      ++within;
    else
      ++(item->verdict->answer == Answer::outside ? outside : open);
  }
  PageData out = identity_entry(results.channels[index]);
  put(out, "within", std::to_string(within));
  put(out, "outside", std::to_string(outside));
  put(out, "not_decided", std::to_string(open));
  put(out, "none", std::to_string(none));
  out.set("is_outside", PageData(outside > 0));
  return out;
}

const char* from_words(Direction direction) {
  return direction == Direction::up ? "below" : direction == Direction::down ? "above" : "-";
}

PageData result_row(const Plateau& plateau, const Item& item) {
  const ItemBudget budget = item.budget.value_or(ItemBudget{});
  const auto verdict = item.verdict;
  PageData out;
  put(out, "number", std::to_string(plateau.index + 1));
  put(out, "setpoint", shown_number(plateau.setpoint_c, 2));
  put(out, "from", from_words(plateau.direction));
  put(out, "reference", shown_number(plateau.reference.mean_c, kelvin_decimals));
  put(out, "item", shown_number(item.readings.mean_c, kelvin_decimals));
  put(out, "error", shown_number(item.error_k, kelvin_decimals));
  put(out, "u", shown_number(budget.expanded_k, kelvin_decimals) + (budget.gaps.empty() ? "" : "*"));
  put(out, "k", shown_number(budget.factor, 2));
  put(out, "limit", verdict && verdict->limit_k ? "±" + shown_number(verdict->limit_k, 3) : "-");
  const auto conformance = verdict ? verdict->conformance : std::nullopt;
  put(out, "conformance", conformance ? shown_number(*conformance * 100, 2) + " %" : "-");
  put(out, "verdict", answer_words(verdict));
  out.set("is_outside", PageData(is_outside(verdict)));
  return out;
}

std::vector<std::string> item_notes(const Results& results, const std::vector<const Item*>& items) {
  std::vector<std::string> out;
  bool gaps = false;
  for (std::size_t i = 0; i < items.size(); ++i) {
    if (!items[i]) continue;
    const std::string called = "Plateau " + std::to_string(results.plateaus[i].index + 1) + ": ";
    if (results.plateaus[i].outcome == "not_settled")
      out.push_back(called + "read although the settle rule was not met.");
    if (!items[i]->error_k) out.push_back(called + "no error is worked out; see the readings by plateau.");
    if (items[i]->verdict && !items[i]->verdict->why.empty())
      out.push_back(called + answer_words(items[i]->verdict) + ": " + items[i]->verdict->why);
    gaps = gaps || (items[i]->budget && !items[i]->budget->gaps.empty());
  }
  if (gaps) out.push_back("* U is too small: its budget has gaps, named under it.");
  return out;
}

// The mean and, where it is one of several, of how many.
std::string visits_words(const results::Visits& visits) {
  return shown_number(visits.mean_k, kelvin_decimals) +
         (visits.n > 1 ? " (" + std::to_string(visits.n) + ")" : std::string());
}

PageData revisited_row(const Revisited& revisited) {
  PageData out;
  put(out, "setpoint", shown_number(revisited.setpoint_c, 2));
  put(out, "up", visits_words(revisited.up));
  put(out, "down", visits_words(revisited.down));
  put(out, "difference", shown_number(revisited.difference_k, kelvin_decimals));
  put(out, "spread", shown_number(revisited.between_sd_k, kelvin_decimals));
  put(out, "degrees", revisited.between_sd_k ? std::to_string(revisited.degrees_of_freedom) : "-");
  return out;
}

PageData item_entry(const Results& results, std::size_t index) {
  const auto items = over_plateaus(results, index);
  std::vector<PageData> rows, revisited;
  for (std::size_t i = 0; i < items.size(); ++i)
    if (items[i]) rows.push_back(result_row(results.plateaus[i], *items[i]));
  for (const Revisited& one : results.revisited)
    if (one.channel == index) revisited.push_back(revisited_row(one));
  PageData out = identity_entry(results.channels[index]);
  put_drawing(out, "plot", error_plot(results, index));
  put_list(out, "rows", rows);
  put_list(out, "revisited", revisited);
  put_texts(out, "notes", item_notes(results, items));
  return out;
}

// A unit small enough that amounts need few zeros, and how many of it make one of the budget's own.
struct SmallUnit {
  const char* name;
  double each;
};
SmallUnit small_unit(const std::string& unit) {
  if (unit == "K") return {"mK", 1e3};
  if (unit == "V") return {"µV", 1e6};
  if (unit == "ohm") return {"mΩ", 1e3};
  if (unit == "A") return {"µA", 1e6};
  return {"", 1};
}

PageData line_entry(const BudgetLine& line, bool summed, const Results& results) {
  const SmallUnit unit = small_unit(line.unit);
  const std::string unit_name = *unit.name ? unit.name : line.unit;
  PageData out;
  const std::string shared = shared_words(line, results);
  put(out, "quantity", line.name + (shared.empty() ? "" : " (" + shared + ")"));
  put(out, "amount", shown_amount(line.amount * unit.each));
  put(out, "unit", unit_name);
  put(out, "shape", line.shape == uncertainty::Shape::u_shaped ? "U-shaped" : std::string(name(line.shape)));
  put(out, "degrees", line.degrees_of_freedom ? shown_number(line.degrees_of_freedom, 0) : "∞");
  put(out, "sensitivity", shown_amount(line.sensitivity * 1e3 / unit.each));
  put(out, "contribution", summed ? shown_amount(line.contribution_k * 1e3) : "-");
  put(out, "origin", line.source);
  return out;
}

// Student's t is the normal distribution by then, to every digit that is shown.
std::string degrees_text(const std::optional<double>& degrees) {
  constexpr double as_good_as_infinite = 1e5;
  if (!degrees) return "∞";
  return *degrees > as_good_as_infinite ? "above 100 000" : shown_number(degrees, 1);
}

std::string sum_words(const ItemBudget& budget) {
  if (!budget.standard_k) return "u and U are not worked out";
  return "u = " + shown_amount(*budget.standard_k * 1e3) + " mK, effective degrees of freedom " +
         degrees_text(budget.degrees_of_freedom) + ", k = " + shown_number(budget.factor, 2) +
         ", U = " + (budget.expanded_k ? shown_amount(*budget.expanded_k * 1e3) + " mK" : "-") + " for a coverage of " +
         shown_number(budget.coverage * 100, 2) + " %";
}

PageData budget_entry(const Plateau& plateau, const Item& item, const Results& results) {
  std::vector<PageData> lines;
  for (const BudgetLine& line : item.budget->lines)
    lines.push_back(line_entry(line, item.budget->standard_k.has_value(), results));
  PageData out = identity_entry(results.channels[item.readings.channel]);
  put(out, "number", std::to_string(plateau.index + 1));
  put(out, "setpoint", shown_number(plateau.setpoint_c, 2));
  put_list(out, "lines", lines);
  put(out, "sum", sum_words(*item.budget));
  put_texts(out, "gaps", item.budget->gaps);
  return out;
}

}  // namespace

void put_items(PageData& page, const Results& results) {
  std::vector<PageData> list, verdicts, items;
  for (std::size_t i = 0; i < results.channels.size(); ++i) {
    if (results.channels[i].role != results::Role::item) continue;
    list.push_back(list_entry(results.channels[i]));
    if (results.lab_budget) verdicts.push_back(verdict_entry(results, i));
    items.push_back(item_entry(results, i));
  }
  put_list(page, "item_list", list);
  put_list(page, "verdicts", verdicts);
  put_list(page, "items", items);
}

void put_budgets(PageData& page, const Results& results) {
  std::vector<PageData> budgets;
  for (std::size_t i = 0; i < results.channels.size(); ++i) {
    const auto items = over_plateaus(results, i);
    for (std::size_t k = 0; k < items.size(); ++k)
      if (items[k] && items[k]->budget) budgets.push_back(budget_entry(results.plateaus[k], *items[k], results));
  }
  put_list(page, "budgets", budgets);
  put(page, "no_budgets",
      results.lab_budget ? "No budget is worked out for any item." : "This run had no uncertainty budget.");
}

}  // namespace nightwell::report
