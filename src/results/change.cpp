#include "results/change.hpp"

#include <algorithm>

#include "results/budget.hpp"

namespace nightwell::results {

namespace {

struct Found {
  std::string serial;
  double setpoint_c = 0;
  const Item* item = nullptr;
};

std::vector<Found> items_of(const Results& results) {
  std::vector<Found> out;
  for (const Plateau& plateau : results.plateaus)
    for (const Item& item : plateau.items)
      if (item.error_k) out.push_back({results.channels[item.readings.channel].serial, plateau.setpoint_c, &item});
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
  Change out{later.serial, later.setpoint_c, *earlier.item->error_k, *later.item->error_k, 0, {}, {}, {}};
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

}  // namespace

Result<std::vector<Change>> changes(const Results& earlier, const Results& later) {
  std::vector<Found> before = items_of(earlier);
  std::vector<Change> out;
  for (const Found& now : items_of(later)) {
    const auto match = std::find_if(before.begin(), before.end(), [&](const Found& one) {
      return one.item && one.serial == now.serial && one.setpoint_c == now.setpoint_c;
    });
    if (match == before.end()) continue;
    auto change = change_of(*match, now);
    if (!change) return change.error();
    out.push_back(*std::move(change));
    match->item = nullptr;  // each plateau once
  }
  if (out.empty())
    return Error{Errc::not_found, "comparing two runs", "they share no serial number at a setpoint of both", ""};
  return out;
}

}  // namespace nightwell::results
