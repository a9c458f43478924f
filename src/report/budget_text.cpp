// Budgets as text: a table an item and plateau.
#include <cstdio>

#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

// Three digits are enough for a line of a budget: "0.0012", "5.77e-08".
std::string three_digits(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%.3g", value);
  return text;
}

// Student's t is the normal distribution from there on, to every digit that is shown.
std::string degrees(const std::optional<double>& value) {
  constexpr double as_good_as_infinite = 1e5;
  if (!value) return "infinite";
  return *value > as_good_as_infinite ? "above 100000" : three_digits(*value);
}

std::string one_budget(const results::ItemBudget& budget) {
  Table table(
      {{"line", false, 46}, {"shape", false, 11}, {"amount", true, 14}, {"K per unit", true, 10}, {"u / mK", true, 9}});
  for (const auto& line : budget.lines)
    table.add({line.name, std::string(name(line.shape)), three_digits(line.amount) + " " + line.unit,
               three_digits(line.sensitivity), fixed(line.contribution_k * 1000, 3)});
  std::string out = table.text();
  out += "  u = " + fixed(budget.standard_k, 5) + " K, degrees of freedom " + degrees(budget.degrees_of_freedom) +
         ", k = " + fixed(budget.factor, 2) + ", U = " + fixed(budget.expanded_k, 5) + " K at " +
         exact(budget.coverage * 100) + " %\n";
  for (const auto& gap : budget.gaps) out += wrapped("  * ", "missing, so U is too small: " + gap, 100);
  return out;
}

}  // namespace

std::string budgets(const results::Results& results) {
  if (!results.lab_budget) return "The job named no budget file: there are no budgets.\n";
  std::string out;
  for (const auto& plateau : results.plateaus)
    for (const auto& item : plateau.items) {
      if (!item.budget) continue;
      const auto& channel = results.channels[item.readings.channel];
      out += (out.empty() ? "" : "\n") +
             wrapped("",
                     channel.name + " " + channel.serial + ", plateau " + std::to_string(plateau.index + 1) + " at " +
                         exact(plateau.setpoint_c) + " °C: error " + fixed(item.error_k, 4) + " K",
                     100) +
             one_budget(*item.budget);
    }
  return out;
}

}  // namespace nightwell::report
