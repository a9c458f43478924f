// One planted sensor for every kind of fit, with coefficients of our own and the points of an ordinary calibration.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "thermometry/fit_sensor.hpp"

namespace nightwell::tests {

struct FitKind {
  std::string name;
  thermometry::SensorModel model;
  std::vector<double> truth;  // the coefficients, in the order of fit_sensor.hpp
  std::vector<double> temperatures_c;
  double u_k = 0, u_raw = 0;
  std::function<Result<thermometry::SensorFit>(std::span<const thermometry::FitPoint>)> fit;
  bool circuit_constant = false;
};

inline std::vector<thermometry::FitPoint> exact_points(const FitKind& kind) {
  std::vector<thermometry::FitPoint> out;
  for (const double t_c : kind.temperatures_c)
    out.push_back({t_c, *thermometry::raw_value(kind.model, t_c, 0), kind.u_k, kind.u_raw});
  if (kind.circuit_constant)
    for (auto& point : out) point.raw += kind.truth[0] * 1e-6;
  return out;
}

inline std::vector<FitKind> fit_kinds() {
  using namespace thermometry;
  using Points = std::span<const FitPoint>;
  std::vector<FitKind> out;
  const std::vector<double> thermocouple{0, 0.015, -2e-5};
  out.push_back({"thermocouple N through zero",
                 Thermocouple{ThermocoupleType::n, thermocouple},
                 thermocouple,
                 {100, 200, 300, 400, 500, 600, 700, 800, 900, 1000},
                 0.1,
                 1e-6,
                 [](Points p) { return fit_thermocouple(ThermocoupleType::n, p, 2, true); }});
  const std::vector<double> with_constant{1.5, -0.01, 1e-5};
  out.push_back({"thermocouple S with a constant",
                 Thermocouple{ThermocoupleType::s, with_constant},
                 with_constant,
                 {250, 400, 550, 700, 850, 1000, 1150, 1300},
                 0.3,
                 5e-7,
                 [](Points p) { return fit_thermocouple(ThermocoupleType::s, p, 2, false); },
                 true});
  const Platinum held{100.031, 3.9079e-3, -5.769e-7, -4.183e-12};
  out.push_back({"platinum, C held",
                 held,
                 {held.r0_ohm, held.a_per_c, held.b_per_c2, held.c_per_c4},
                 {-80, -40, 0, 100, 150, 200, 250, 300},
                 0.01,
                 1e-3,
                 [](Points p) { return fit_platinum(p, {}); }});
  const Platinum four{99.984, 3.9075e-3, -5.78e-7, -4.4e-12};
  out.push_back({"platinum, C fitted",
                 four,
                 {four.r0_ohm, four.a_per_c, four.b_per_c2, four.c_per_c4},
                 {-196, -150, -100, -50, 0, 100, 200, 300, 420},
                 0.01,
                 0,
                 [](Points p) {
                   PlatinumFitOptions options;
                   options.fit_c = true;
                   return fit_platinum(p, options);
                 }});
  out.push_back({"SPRT to zinc, its own triple point",
                 Sprt{25.4817, std::nullopt, SprtSubrange{8, {-1.6e-4, -9e-6}}},
                 {25.4817, -1.6e-4, -9e-6},
                 {0.01, 0.01, 29.7646, 100, 156.5985, 231.928, 300, 360, 419.527},
                 3e-4,
                 2e-6,
                 [](Points p) {
                   return fit_sprt(p, {8, std::nullopt, 0});
                 }});
  out.push_back({"SPRT to argon, a given triple point",
                 Sprt{25.4817, SprtSubrange{4, {-1.7e-4, -1.1e-5}}, std::nullopt},
                 {25.4817, -1.7e-4, -1.1e-5},
                 {-189.3442, -150, -100, -60, -38.8344, -20},
                 3e-4,
                 2e-6,
                 [](Points p) {
                   return fit_sprt(p, {4, 25.4817, 0});
                 }});
  out.push_back({"SPRT to silver",
                 Sprt{0.2513, std::nullopt, SprtSubrange{6, {-1.6e-4, -8e-6, 2e-6, 4e-6}}},
                 {0.2513, -1.6e-4, -8e-6, 2e-6, 4e-6},
                 {100, 231.928, 300, 419.527, 550, 660.323, 750, 850, 920, 961.78},
                 1e-3,
                 0,
                 [](Points p) {
                   return fit_sprt(p, {6, 0.2513, 0});
                 }});
  out.push_back({"thermistor",
                 Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -10, 90},
                 {1.1292e-3, 2.3411e-4, 8.7755e-8},
                 {-10, 0, 10, 20, 35, 50, 70, 90},
                 0.005,
                 0.1,
                 [](Points p) { return fit_thermistor(p); }});
  const std::vector<double> polynomial{1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8};
  out.push_back({"thermistor by a polynomial",
                 ThermistorPolynomial{polynomial, -40, 125},
                 polynomial,
                 {-40, -25, -10, 0, 10, 20, 35, 50, 70, 90, 110, 125},
                 0.005,
                 0,
                 [](Points p) { return fit_thermistor_polynomial(p, 3); }});
  return out;
}

}  // namespace nightwell::tests
