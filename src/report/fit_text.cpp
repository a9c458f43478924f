// A fit as text: coefficients with their uncertainties, and what is left at each plateau.
#include "report/fit_words.hpp"
#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

std::string millikelvin(std::optional<double> value_k) {
  return value_k ? fixed(*value_k * 1000, 2) : "-";
}

std::string coefficient_table(const thermometry::SensorFit& fit) {
  Table table({{"coefficient", false, 24}, {"value", true, 20}, {"standard uncertainty", true, 20}});
  for (const auto& words : coefficient_words(fit)) table.add({words.name, words.value, words.uncertainty});
  return table.text();
}

std::string point_table(const results::Results& results, const results::ItemFit& fit) {
  Table table({{"plateau", true, 7},
               {"reference / °C", true, 14},
               {"u / mK", true, 8},
               {"residual / mK", true, 13},
               {"left out / mK", true, 13}});
  for (std::size_t i = 0; i < fit.points.size(); ++i)
    table.add({std::to_string(results.plateaus[fit.plateaus[i]].index + 1), fixed(fit.points[i].t_c, 4),
               millikelvin(fit.points[i].u_k), millikelvin(fit.fit.points[i].residual_k),
               millikelvin(fit.fit.points[i].leave_one_out_k)});
  return table.text();
}

}  // namespace

std::string fit(const results::Results& results, const results::ItemFit& fit) {
  const auto& channel = results.channels[fit.channel];
  std::string out =
      wrapped("",
              "Fit of " + channel.name + " " + channel.serial + " over " + counted(fit.points.size(), "plateau") +
                  ", " + fixed(fit.fit.range.low_c, 2) + " to " + fixed(fit.fit.range.high_c, 2) + " °C",
              100);
  out += coefficient_table(fit.fit) + "\n" + point_table(results, fit);
  out += "\n  " + fit_summary(fit.fit) + "\n";
  for (const auto& warning : fit_warnings(fit.fit)) out += wrapped("  ! ", warning, 100);
  out +=
      "\n  residual: fitted sensor - reference. left out: the same, had the fit not seen that plateau. u: scatter and\n"
      "  drift only; certificates, scanner and source are common to all plateaus and stand in the budgets.\n";
  return out;
}

}  // namespace nightwell::report
