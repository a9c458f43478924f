// Two intervals of each error side by side.
#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

std::string interval(double low, double high) {
  return fixed(low, 4) + " to " + fixed(high, 4);
}

std::string answer(const results::MonteCarloCheck& check) {
  if (!check.found.stable) return "not stable";
  return check.agreement.validated ? "yes" : "NO";
}

}  // namespace

std::string monte_carlo(const results::Results& results, const std::vector<Result<results::MonteCarloCheck>>& checks) {
  if (!results.lab_budget) return "The job named no budget file: there is nothing to check.\n";
  Table table({{"item", false, 12},
               {"at / °C", true, 8},
               {"u / K", true, 7},
               {"error ± U / K", true, 18},
               {"u / K", true, 7},
               {"Monte Carlo / K", true, 18},
               {"trials", true, 8},
               {"agree", false, 10}});
  std::string failed;
  std::size_t next = 0;
  for (const auto& plateau : results.plateaus)
    for (const auto& item : plateau.items) {
      if (next == checks.size()) break;
      const auto& check = checks[next++];
      const auto& channel = results.channels[item.readings.channel];
      if (!check) {
        failed +=
            wrapped("  * ", channel.name + " at " + exact(plateau.setpoint_c) + " °C: " + check.error().text(), 100);
        continue;
      }
      const double error_k = item.error_k.value_or(0), expanded_k = item.budget->expanded_k.value_or(0);
      table.add({channel.name, exact(plateau.setpoint_c), fixed(item.budget->standard_k, 4),
                 interval(error_k - expanded_k, error_k + expanded_k), fixed(check->found.standard_uncertainty, 4),
                 interval(check->found.symmetric.low, check->found.symmetric.high), std::to_string(check->found.trials),
                 answer(*check)});
    }
  return table.text() + failed +
         "\nLeft: the GUM's framework; right: the Monte Carlo method (JCGM 101), the probabilistically symmetric\n"
         "interval. They agree where both ends differ by at most half a unit of the last wanted digit of u (clause "
         "8).\n";
}

}  // namespace nightwell::report
