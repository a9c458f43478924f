// A fit as text: coefficients with their uncertainties, and what is left at each plateau.
#include <cmath>
#include <cstdio>

#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

// Above this the residuals are no longer scatter. Common practice, no source.
constexpr double largest_sound_scale = 3;

struct CoefficientNames {
  const thermometry::SensorFit& fit;

  std::vector<std::string> operator()(const thermometry::Thermocouple& model) const {
    std::vector<std::string> out;
    for (std::size_t i = 0; i < model.deviation_uv.size(); ++i) out.push_back("deviation, uV/°C^" + std::to_string(i));
    return out;
  }
  std::vector<std::string> operator()(const thermometry::Platinum&) const {
    return {"R0, ohm", "A, 1/°C", "B, 1/°C^2", "C, 1/°C^4"};
  }
  std::vector<std::string> operator()(const thermometry::Sprt&) const {
    std::vector<std::string> out{"R at 0.01 °C, ohm"};
    for (std::size_t i = 1; i < fit.coefficients.size(); ++i) out.push_back("deviation " + std::to_string(i));
    return out;
  }
  std::vector<std::string> operator()(const thermometry::Thermistor&) const { return {"a", "b", "c"}; }
  std::vector<std::string> operator()(const thermometry::ThermistorPolynomial& model) const {
    std::vector<std::string> out;
    for (std::size_t i = 0; i < model.coefficients.size(); ++i) out.push_back("a" + std::to_string(i));
    return out;
  }
  std::vector<std::string> operator()(const auto&) const { return {}; }
};

std::string digits(double value, int count) {
  char text[40];
  std::snprintf(text, sizeof text, "%.*g", count, value);
  return text;
}

std::string millikelvin(std::optional<double> value_k) {
  return value_k ? fixed(*value_k * 1000, 2) : "-";
}

std::string coefficient_table(const thermometry::SensorFit& fit) {
  Table table({{"coefficient", false, 24}, {"value", true, 20}, {"standard uncertainty", true, 20}});
  const auto names = std::visit(CoefficientNames{fit}, fit.model);
  for (std::size_t i = 0; i < fit.coefficients.size(); ++i) {
    const double variance = i < fit.covariance.size ? fit.covariance.at(i, i) : 0;
    table.add({i < names.size() ? names[i] : "", digits(fit.coefficients[i], 10),
               variance > 0 ? digits(std::sqrt(variance), 3) : "held"});
  }
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
  out += "\n  degrees of freedom " + std::to_string(fit.fit.degrees_of_freedom) + "; residuals " +
         (fit.fit.residual_scale ? digits(*fit.fit.residual_scale, 2) + " times what scatter and drift explain"
                                 : "none left") +
         "; left out, rms " + millikelvin(fit.fit.leave_one_out_rms_k) + " mK\n";
  if (fit.fit.residual_scale.value_or(0) > largest_sound_scale)
    out +=
        "  ! The residuals are far larger than scatter and drift explain: this curve does not describe this sensor.\n";
  for (const auto& warning : fit.fit.warnings) out += wrapped("  ! ", warning.text, 100);
  out +=
      "\n  residual: fitted sensor - reference. left out: the same, had the fit not seen that plateau. u: scatter and\n"
      "  drift only; certificates, scanner and source are common to all plateaus and stand in the budgets.\n";
  return out;
}

}  // namespace nightwell::report
