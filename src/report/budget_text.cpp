// Budgets as text: a table an item and plateau.
#include <cstdio>

#include "report/budget_words.hpp"
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

// Of a fraction the unit is 1, and is not written.
std::string amount_text(const results::BudgetLine& line) {
  return three_digits(line.amount) + (line.unit == "1" ? "" : " " + line.unit);
}

std::string one_budget(const results::ItemBudget& budget, const results::Results& results) {
  Table table(
      {{"line", false, 46}, {"shape", false, 11}, {"amount", true, 14}, {"K per unit", true, 10}, {"u / mK", true, 9}});
  for (const auto& line : budget.lines)
    table.add({line.name, std::string(name(line.shape)), amount_text(line), three_digits(line.sensitivity),
               fixed(line.contribution_k * 1000, 3)});
  std::string out = table.text();
  out += "  u = " + fixed(budget.standard_k, 5) + " K, degrees of freedom " + degrees(budget.degrees_of_freedom) +
         ", k = " + fixed(budget.factor, 2) + ", U = " + fixed(budget.expanded_k, 5) + " K at " +
         exact(budget.coverage * 100) + " %\n";
  for (const auto& line : budget.lines)
    if (const std::string words = shared_words(line, results); !words.empty())
      out += wrapped("  * ", line.name + ": " + words, 100);
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
             one_budget(*item.budget, results);
    }
  return out;
}

}  // namespace nightwell::report
