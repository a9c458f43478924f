// The calculator: one amount through one sensor, by the functions that turn raw readings into results.
//
// Pure. A temperature gives the raw value, a raw value the temperature; a sensor that indicates gives a temperature for
// a temperature.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "cli/amount.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::cli {

struct Sensor {
  thermometry::SensorModel model;
  std::string name;                                  // for messages: "a Pt100", "sensor SB-T-01"
  std::optional<thermometry::TemperatureSpan> card;  // where its card says that it may be used
};

// A thermocouple's letter (upper case) or pt100, pt1000 (IEC 60751; any case). nullopt: none of these.
[[nodiscard]] std::optional<Sensor> sensor_named(std::string_view name);

// How the person wants it.
struct Asked {
  std::optional<double> junction_c;  // thermocouples: 0 °C, the ice point, where it is left out
  std::optional<Unit> to;            // the answer's unit; left out: usual_unit()
};

// What is wrong with it for this sensor, whatever the amount. Errors: bad_input (a junction for a sensor that has none;
// a unit that none of its answers can have).
[[nodiscard]] Result<void> check_asked(const Sensor& sensor, const Asked& asked);

struct Converted {
  std::string value;  // 12 significant digits at most; less than a picokelvin away from zero is "0"
  std::string unit;
  std::string sensitivity;       // d raw / d t at this temperature, 6 significant digits at most
  std::string sensitivity_unit;  // always per kelvin, of the raw value's unit: "mV/K"
  std::string caution;           // outside the card's limits; may be empty
};

// Errors: those of thermometry (out_of_range, ambiguous, bad_input), and bad_input where this sensor does not give such
// an amount or its answer cannot have the unit asked for.
[[nodiscard]] Result<Converted> convert(const Sensor& sensor, const Amount& amount, const Asked& asked);

// "4.09623 mV  0.0413695 mV/K"
[[nodiscard]] std::string answer_text(const Converted& answer);
// {"value", "unit", "sensitivity", "sensitivity_unit"}, with "caution" where there is one.
[[nodiscard]] nlohmann::ordered_json answer_json(const Converted& answer);

}  // namespace nightwell::cli
