// The same item in two runs: as found and as left, or this year and last.
//
// Matched by serial number, setpoint and the side from which it was come to; where that stands several times in both, the first
// with the first. What finds no such partner is matched with one whose side is not known, and then with one of the other side:
// such a change holds the item's hysteresis too, and `earlier_from` and `later_from` show it. Change = later error - earlier error. Its uncertainty combines the lines of both budgets (JCGM 100:2008 5): a certificate that served both
// times (the same sensor, number and date on its card) is one input and cancels as far as the sensitivities agree; all else (scatter, scanners, source, junction) is taken to
// have been different each time, which overstates where it was not.
// Errors: not_found (no item of the one is in the other at a setpoint of both); bad_input (lines that cannot be).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "results/results.hpp"

namespace nightwell::results {

struct Change {
  std::string serial;
  double setpoint_c = 0;
  double earlier_k = 0, later_k = 0, change_k = 0;
  // Nothing where one of the two has no budget, or one with gaps.
  std::optional<double> standard_k, factor, expanded_k;
  Direction earlier_from = Direction::unknown, later_from = Direction::unknown;

  [[nodiscard]] bool from_both_sides() const {
    return earlier_from != later_from && earlier_from != Direction::unknown && later_from != Direction::unknown;
  }
};

[[nodiscard]] Result<std::vector<Change>> changes(const Results& earlier, const Results& later);

}  // namespace nightwell::results
