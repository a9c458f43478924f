// Two runs of the same items side by side.
#include <algorithm>
#include <cmath>

#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

std::string side_words(const results::Change& change) {
  const auto word = [](results::Direction direction) {
    return direction == results::Direction::up ? "below" : direction == results::Direction::down ? "above" : "-";
  };
  if (change.earlier_from == change.later_from) return word(change.later_from);
  return std::string(word(change.earlier_from)) + ", " + word(change.later_from);
}

}  // namespace

std::string changes(const results::Results& earlier, const results::Results& later,
                    const std::vector<results::Change>& changes) {
  Table table({{"serial", false, 18},
               {"at / °C", true, 9},
               {"from", false, 12},
               {"earlier / K", true, 11},
               {"later / K", true, 11},
               {"change / K", true, 11},
               {"U / K", true, 8},
               {"", false, 12}});
  for (const auto& change : changes)
    table.add({change.serial, exact(change.setpoint_c), side_words(change), fixed(change.earlier_k, 4),
               fixed(change.later_k, 4), fixed(change.change_k, 4), fixed(change.expanded_k, 4),
               !change.expanded_k                               ? "U not known"
               : std::abs(change.change_k) > *change.expanded_k ? "changed"
                                                                : "within U"});
  const bool both_sides = std::any_of(changes.begin(), changes.end(),
                                      [](const results::Change& change) { return change.from_both_sides(); });
  return wrapped("earlier  ", earlier.run + ", " + earlier.opened_utc, 100) +
         wrapped("later    ", later.run + ", " + later.opened_utc, 100) + "\n" + table.text() +
         "\nchange = later error - earlier error. A certificate that served both times cancels in U; all else counts\n"
         "twice. `changed`: by more than U. from: the side that a setpoint was come to from; -: not known.\n" +
         (both_sides ? "! Some setpoints were come to from one side earlier, and from the other later (`from`): such a "
                       "change\n"
                       "holds the item's hysteresis too.\n"
                     : "");
}

}  // namespace nightwell::report
