// The uncertainty budget of one item's error at one plateau, line by line.
//
// Error = item - reference, in kelvin. Each line is an input quantity with its own unit and what a unit of it does to the
// error; what the readings themselves show (scatter, drift) and what the cards and the lab's budget state stand side by side.
// Inputs are independent of each other. What is shared is one input that enters at several places, with the sum of its
// sensitivities there (GUM 5.2.2 with r = 1; F.1.2.4, from memory, for the way): a scanner's error where the lab states it as
// common to its channels, and whatever a junction channel has that serves several sensors. Method: JCGM 100:2008 (GUM) 4 and 5.
// docs/uncertainty.md has every line and its source.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "results/results.hpp"
#include "uncertainty/lab_budget.hpp"

namespace nightwell::results {

// What goes into the lines beside the plateau itself.
struct BudgetContext {
  const std::vector<Channel>& channels;
  const uncertainty::LabBudget& lab;
  std::string date;                      // of the run, "2026-11-25": how old certificates are
  const Revisited* revisited = nullptr;  // of this item at this setpoint; null where the run came there once only
};

// Lines and gaps of the item at `item` of the plateau; empty where it has no error.
[[nodiscard]] ItemBudget budget_of(const Plateau& plateau, const Item& item, const BudgetContext& context);

// Combines the lines: contributions, standard and expanded uncertainty. Errors: bad_input (lines that cannot be).
[[nodiscard]] Result<void> combine(ItemBudget& budget, double coverage);

// What the rule says of the item by its card's tolerance at the setpoint; nothing where the card has none.
[[nodiscard]] Result<std::optional<Verdict>> verdict_of(const Item& item, const Channel& channel, double setpoint_c,
                                                        const uncertainty::DecisionRule& rule);

// Budgets and verdicts of all items, where the results have a lab's budget. Errors: bad_input, as above.
[[nodiscard]] Result<void> add_budgets(Results& results);

}  // namespace nightwell::results
