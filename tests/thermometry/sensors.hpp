// One sensor of each kind, with coefficients of our own that are near those of real ones.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::tests {

inline const std::vector<thermometry::ThermocoupleType> all_types{
    thermometry::ThermocoupleType::a, thermometry::ThermocoupleType::b, thermometry::ThermocoupleType::c,
    thermometry::ThermocoupleType::e, thermometry::ThermocoupleType::j, thermometry::ThermocoupleType::k,
    thermometry::ThermocoupleType::n, thermometry::ThermocoupleType::r, thermometry::ThermocoupleType::s,
    thermometry::ThermocoupleType::t};

struct NamedSensor {
  std::string name;
  thermometry::SensorModel model;
  std::optional<double> junction_c;
  double lowest_c = 0, highest_c = 0;  // where it goes both ways
};

inline std::vector<NamedSensor> all_sensors() {
  using namespace thermometry;
  std::vector<NamedSensor> out;
  const auto add = [&](std::string name, SensorModel model, std::optional<double> junction_c = std::nullopt) {
    const TemperatureSpan range = span(model);
    out.push_back({std::move(name), std::move(model), junction_c, range.low_c, range.high_c});
  };
  for (const auto type : all_types) {
    for (const double junction_c : {0.0, 24.3}) {
      add(std::string("thermocouple ") + letter(type), Thermocouple{type, {}}, junction_c);
      // Below 42.13 °C an emf of type B belongs to two temperatures.
      if (type == ThermocoupleType::b) out.back().lowest_c = 42.2;
    }
  }
  add("thermocouple T with a deviation", Thermocouple{ThermocoupleType::t, {0.8, -0.02, 3e-5}}, 21.7);
  add("platinum", Platinum{});
  add("platinum of its own", Platinum{100.0213, 3.9069e-3, -5.763e-7, -4.21e-12});
  add("SPRT, argon to zinc", Sprt{25.4817, SprtSubrange{4, {-1.7e-4, -1.1e-5}}, SprtSubrange{8, {-1.6e-4, -9e-6}}});
  add("SPRT, hydrogen to silver", Sprt{0.2513, SprtSubrange{1, {-2e-4, 1e-5, 2e-7, 3e-7, 2e-8, 1e-8, 1e-9}},
                                       SprtSubrange{6, {-1.6e-4, -8e-6, 2e-6, 4e-6}}});
  add("SPRT, around the triple point", Sprt{99.97, std::nullopt, SprtSubrange{5, {-1.3e-4, -2e-5}}});
  add("thermistor", Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -40, 120});
  add("thermistor whose cubic bends down", Thermistor{8e-4, 2.9e-4, -5e-8, -20, 80});
  add("thermistor without a cubic", Thermistor{8.3e-4, 2.72e-4, 0, -20, 80});
  add("thermistor, straight in ln R", ThermistorPolynomial{{8.3e-4, 2.72e-4}, -20, 80});
  add("thermistor with a square", ThermistorPolynomial{{1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8}, -60, 200});
  add("thermistor whose polynomial turns outside", ThermistorPolynomial{{1.78e-4, 4.66e-4, -1.2e-5}, -20, 80});
  add("thermistor of degree 5", ThermistorPolynomial{{1.1e-3, 2.3e-4, 1.2e-6, 6.5e-8, -4e-10, 3e-11}, -40, 150});
  add("transmitter", CurrentTransmitter{-40, 60, 0.004, 0.020});
  add("transmitter that falls", CurrentTransmitter{150, -50, 0.0, 0.020});
  out.back().lowest_c = -50, out.back().highest_c = 150;
  add("indicated", Indicated{});
  return out;
}

}  // namespace nightwell::tests
