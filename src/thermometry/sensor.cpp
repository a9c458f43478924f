// Which sensor model does what: dispatch only. The formulas stand in a file for each kind of sensor.
#include "nightwell/thermometry/sensor.hpp"

#include <cmath>

#include "thermometry/faults.hpp"
#include "thermometry/platinum.hpp"
#include "thermometry/sprt.hpp"
#include "thermometry/thermistor.hpp"
#include "thermometry/thermistor_polynomial.hpp"
#include "thermometry/thermocouple.hpp"
#include "thermometry/transmitter.hpp"

namespace nightwell::thermometry {

namespace {

// What an instrument may indicate: from absolute zero to above every sensor here. An instrument's "no value" numbers lie
// far outside.
constexpr TemperatureSpan indicated_span{-273.15, 3000};

Result<double> indicated(double t_c) {
  if (t_c >= indicated_span.low_c && t_c <= indicated_span.high_c) return t_c;
  return beyond("indicated temperature", t_c, indicated_span.low_c, indicated_span.high_c, "°C");
}

// The emf that the reference junction takes away.
Result<double> junction_v(const Thermocouple& sensor, std::optional<double> junction_c) {
  if (!junction_c)
    return Error{Errc::bad_input, std::string("thermocouple type ") + letter(sensor.type),
                 "the temperature of its reference junction is not given; name a junction for its channel", ""};
  auto out = emf_v(sensor.type, *junction_c, sensor.deviation_uv);
  if (out) return out;
  Error error = out.error();
  error.doing = "reference junction of " + error.doing;
  return error;
}

struct ToTemperature {
  double raw;
  std::optional<double> junction_c;

  Result<double> operator()(const Thermocouple& sensor) const {
    const auto junction = junction_v(sensor, junction_c);
    if (!junction) return junction;
    return emf_temperature_c(sensor.type, raw + *junction, sensor.deviation_uv);
  }
  Result<double> operator()(const Platinum& sensor) const { return resistance_temperature_c(sensor, raw); }
  Result<double> operator()(const Sprt& sensor) const { return sprt_temperature_c(sensor, raw); }
  Result<double> operator()(const Thermistor& sensor) const { return thermistor_temperature_c(sensor, raw); }
  Result<double> operator()(const ThermistorPolynomial& sensor) const { return thermistor_temperature_c(sensor, raw); }
  Result<double> operator()(const CurrentTransmitter& sensor) const { return transmitter_temperature_c(sensor, raw); }
  Result<double> operator()(const Indicated&) const { return indicated(raw); }
};

struct ToRaw {
  double t_c;
  std::optional<double> junction_c;

  Result<double> operator()(const Thermocouple& sensor) const {
    const auto junction = junction_v(sensor, junction_c);
    if (!junction) return junction;
    const auto measuring = emf_v(sensor.type, t_c, sensor.deviation_uv);
    if (!measuring) return measuring;
    return *measuring - *junction;
  }
  Result<double> operator()(const Platinum& sensor) const { return resistance_ohm(sensor, t_c); }
  Result<double> operator()(const Sprt& sensor) const { return sprt_resistance_ohm(sensor, t_c); }
  Result<double> operator()(const Thermistor& sensor) const { return thermistor_resistance_ohm(sensor, t_c); }
  Result<double> operator()(const ThermistorPolynomial& sensor) const { return thermistor_resistance_ohm(sensor, t_c); }
  Result<double> operator()(const CurrentTransmitter& sensor) const { return transmitter_current_a(sensor, t_c); }
  Result<double> operator()(const Indicated&) const { return indicated(t_c); }
};

struct ToSensitivity {
  double t_c;

  Result<double> operator()(const Thermocouple& sensor) const {
    return seebeck_v_per_k(sensor.type, t_c, sensor.deviation_uv);
  }
  Result<double> operator()(const Platinum& sensor) const { return resistance_slope_ohm_per_k(sensor, t_c); }
  Result<double> operator()(const Sprt& sensor) const { return sprt_slope_ohm_per_k(sensor, t_c); }
  Result<double> operator()(const Thermistor& sensor) const { return thermistor_slope_ohm_per_k(sensor, t_c); }
  Result<double> operator()(const ThermistorPolynomial& sensor) const {
    return thermistor_slope_ohm_per_k(sensor, t_c);
  }
  Result<double> operator()(const CurrentTransmitter& sensor) const { return transmitter_slope_a_per_k(sensor, t_c); }
  Result<double> operator()(const Indicated&) const {
    const auto sound = indicated(t_c);
    return sound ? Result<double>(1.0) : sound;
  }
};

struct ToQuantity {
  Quantity operator()(const Thermocouple&) const { return Quantity::voltage; }
  Quantity operator()(const Platinum&) const { return Quantity::resistance; }
  Quantity operator()(const Sprt&) const { return Quantity::resistance; }
  Quantity operator()(const Thermistor&) const { return Quantity::resistance; }
  Quantity operator()(const ThermistorPolynomial&) const { return Quantity::resistance; }
  Quantity operator()(const CurrentTransmitter&) const { return Quantity::current; }
  Quantity operator()(const Indicated&) const { return Quantity::temperature; }
};

struct ToSpan {
  TemperatureSpan operator()(const Thermocouple& sensor) const { return rising_span(sensor.type); }
  TemperatureSpan operator()(const Platinum&) const { return platinum_span; }
  TemperatureSpan operator()(const Sprt& sensor) const { return sprt_span(sensor); }
  TemperatureSpan operator()(const Thermistor& sensor) const { return {sensor.low_c, sensor.high_c}; }
  TemperatureSpan operator()(const ThermistorPolynomial& sensor) const { return {sensor.low_c, sensor.high_c}; }
  TemperatureSpan operator()(const CurrentTransmitter& sensor) const { return {sensor.low_c, sensor.high_c}; }
  TemperatureSpan operator()(const Indicated&) const { return indicated_span; }
};

Error not_a_number(const char* doing) {
  return {Errc::out_of_range, doing, "there is no finite number to convert", ""};
}

}  // namespace

Quantity quantity(const SensorModel& model) {
  return std::visit(ToQuantity{}, model);
}

TemperatureSpan span(const SensorModel& model) {
  return std::visit(ToSpan{}, model);
}

Result<double> temperature_c(const SensorModel& model, double raw, std::optional<double> junction_c) {
  if (!std::isfinite(raw)) return not_a_number("turning a raw value into a temperature");
  return std::visit(ToTemperature{raw, junction_c}, model);
}

Result<double> raw_value(const SensorModel& model, double t_c, std::optional<double> junction_c) {
  if (!std::isfinite(t_c)) return not_a_number("turning a temperature into a raw value");
  return std::visit(ToRaw{t_c, junction_c}, model);
}

Result<double> sensitivity_per_k(const SensorModel& model, double t_c) {
  if (!std::isfinite(t_c)) return not_a_number("working out a sensitivity");
  return std::visit(ToSensitivity{t_c}, model);
}

}  // namespace nightwell::thermometry
