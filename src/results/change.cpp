#include "results/change.hpp"

#include <algorithm>

#include "results/budget.hpp"

namespace nightwell::results {

namespace {

struct Found {
  std::string serial;
  double setpoint_c = 0;
  Direction from = Direction::unknown;
  const Item* item = nullptr;
  std::optional<std::size_t> partner;  // of a later one: which of the earlier
};

std::vector<Found> items_of(const Results& results) {
  std::vector<Found> out;
  for (const Plateau& plateau : results.plateaus)
    for (const Item& item : plateau.items)
      if (item.error_k)
        out.push_back(
            {results.channels[item.readings.channel].serial, plateau.setpoint_c, plateau.direction, &item, {}});
  return out;
}

// A card whose stated uncertainty has changed in between is not the same statement.
bool same_certificate(const BudgetLine& a, const BudgetLine& b) {
  return a.certificate && a.certificate == b.certificate && a.amount == b.amount;
}

// The lines of later - earlier; a certificate of both stands once.
std::vector<BudgetLine> lines_of_change(const ItemBudget& earlier, const ItemBudget& later) {
  std::vector<BudgetLine> out = later.lines;
  for (const BudgetLine& line : earlier.lines) {
    const auto common =
        std::find_if(out.begin(), out.end(), [&](const BudgetLine& other) { return same_certificate(line, other); });
    if (common != out.end()) {
      common->sensitivity -= line.sensitivity;
    } else {
      out.push_back(line);
      out.back().sensitivity = -line.sensitivity;
    }
  }
  return out;
}

bool whole(const Item& item) {
  return item.budget && item.budget->expanded_k && item.budget->gaps.empty();
}

Result<Change> change_of(const Found& earlier, const Found& later) {
  Change out{later.serial, later.setpoint_c, *earlier.item->error_k, *later.item->error_k, 0, {}, {}, {},
             earlier.from, later.from};
  out.change_k = out.later_k - out.earlier_k;
  if (!whole(*earlier.item) || !whole(*later.item)) return out;
  ItemBudget budget;
  budget.lines = lines_of_change(*earlier.item->budget, *later.item->budget);
  if (auto combined = combine(budget, later.item->budget->coverage); !combined) return combined.error();
  out.standard_k = budget.standard_k;
  out.factor = budget.factor;
  out.expanded_k = budget.expanded_k;
  return out;
}

// How well two sides go together, the best first.
enum class Sides { same, one_unknown, opposite };
Sides sides(Direction a, Direction b) {
  if (a == b) return Sides::same;
  return a == Direction::unknown || b == Direction::unknown ? Sides::one_unknown : Sides::opposite;
}

// Each plateau once.
void match(const std::vector<Found>& before, std::vector<Found>& after) {
  std::vector<bool> taken(before.size());
  for (const Sides wanted : {Sides::same, Sides::one_unknown, Sides::opposite})
    for (Found& now : after)
      for (std::size_t i = 0; i < before.size() && !now.partner; ++i) {
        const Found& then = before[i];
        if (taken[i] || then.serial != now.serial || then.setpoint_c != now.setpoint_c) continue;
        if (sides(then.from, now.from) != wanted) continue;
        now.partner = i;
        taken[i] = true;
      }
}

}  // namespace

Result<std::vector<Change>> changes(const Results& earlier, const Results& later) {
  const std::vector<Found> before = items_of(earlier);
  std::vector<Found> after = items_of(later);
  match(before, after);
  std::vector<Change> out;
  for (const Found& now : after) {
    if (!now.partner) continue;
    auto change = change_of(before[*now.partner], now);
    if (!change) return change.error();
    out.push_back(*std::move(change));
  }
  if (out.empty())
    return Error{Errc::not_found, "comparing two runs", "they share no serial number at a setpoint of both", ""};
  return out;
}

}  // namespace nightwell::results
