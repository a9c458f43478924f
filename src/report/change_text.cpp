// Two runs of the same items side by side.
#include <cmath>

#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

std::string changes(const results::Results& earlier, const results::Results& later,
                    const std::vector<results::Change>& changes) {
  Table table({{"serial", false, 18},
               {"at / °C", true, 9},
               {"earlier / K", true, 11},
               {"later / K", true, 11},
               {"change / K", true, 11},
               {"U / K", true, 8},
               {"", false, 12}});
  for (const auto& change : changes)
    table.add({change.serial, exact(change.setpoint_c), fixed(change.earlier_k, 4), fixed(change.later_k, 4),
               fixed(change.change_k, 4), fixed(change.expanded_k, 4),
               !change.expanded_k                               ? "U not known"
               : std::abs(change.change_k) > *change.expanded_k ? "changed"
                                                                : "within U"});
  return wrapped("earlier  ", earlier.run + ", " + earlier.opened_utc, 100) +
         wrapped("later    ", later.run + ", " + later.opened_utc, 100) + "\n" + table.text() +
         "\nchange = later error - earlier error. A certificate that served both times cancels in U; all else counts\n"
         "twice. `changed`: by more than U.\n";
}

}  // namespace nightwell::report
