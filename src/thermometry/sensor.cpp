// Dispatch over the sensor models, and the two that are a line or two: thermistors and current transmitters.
#include "nightwell/thermometry/sensor.hpp"

#include <charconv>
#include <cmath>
#include <string>

#include "thermometry/platinum.hpp"
#include "thermometry/sprt.hpp"
#include "thermometry/thermocouple.hpp"

namespace nightwell::thermometry {

namespace {

constexpr double zero_c_k = 273.15;
constexpr double type_b_minimum_c = 21.0202618848;  // derived from the coefficients; tests/published

// How far beyond its range a 4–20 mA signal still is a measurement: 3.8 to 20.5 mA; further out it signals a fault. As a
// fraction of the span, so that other ranges scale. Common practice, no source.
constexpr double below_range = 0.2 / 16, above_range = 0.5 / 16;

std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 9).ptr};
}

Error beyond(const char* what, const std::string& found, TemperatureSpan allowed) {
  return {Errc::out_of_range, what,
          found + " is outside " + number(allowed.low_c) + " to " + number(allowed.high_c) + " °C", ""};
}

Error no_junction() {
  return {Errc::bad_input, "converting a thermocouple", "the temperature of its reference junction is not given", ""};
}

// Steinhart–Hart backwards: c y³ + b y + (a - 1/T) = 0 with y = ln R, one real root for b, c > 0 (Cardano); a plain
// line for c = 0.
double thermistor_ohm(const Thermistor& t, double t_c) {
  const double x = (t.a - 1 / (t_c + zero_c_k));
  if (t.c == 0) return std::exp(-x / t.b);
  const double p = t.b / t.c, q = x / t.c;
  const double root = std::sqrt(q * q / 4 + p * p * p / 27);
  return std::exp(std::cbrt(-q / 2 + root) + std::cbrt(-q / 2 - root));
}

double thermistor_c(const Thermistor& t, double r_ohm) {
  const double y = std::log(r_ohm);
  return 1 / (t.a + t.b * y + t.c * y * y * y) - zero_c_k;
}

struct ToTemperature {
  double raw;
  std::optional<double> junction_c;

  Result<double> operator()(const Thermocouple& tc) const {
    if (!junction_c) return no_junction();
    const auto junction_v = emf_v(tc.type, *junction_c, tc.deviation_uv);
    if (!junction_v) return junction_v;
    return emf_temperature_c(tc.type, raw + *junction_v, tc.deviation_uv);
  }
  Result<double> operator()(const Platinum& p) const { return resistance_temperature_c(p, raw); }
  Result<double> operator()(const Sprt& s) const { return sprt_temperature_c(s, raw); }
  Result<double> operator()(const Thermistor& t) const {
    if (!(raw > 0)) return beyond("thermistor", number(raw) + " ohm", {t.low_c, t.high_c});
    const double t_c = thermistor_c(t, raw);
    if (!(t_c >= t.low_c && t_c <= t.high_c)) return beyond("thermistor", number(raw) + " ohm", {t.low_c, t.high_c});
    return t_c;
  }
  Result<double> operator()(const CurrentTransmitter& t) const {
    const double part = (raw - t.low_a) / (t.high_a - t.low_a);
    if (!(part >= -below_range && part <= 1 + above_range))
      return beyond("current transmitter", number(raw * 1e3) + " mA", {t.low_c, t.high_c});
    return t.low_c + part * (t.high_c - t.low_c);
  }
  Result<double> operator()(const Indicated&) const { return raw; }
};

struct ToRaw {
  double t_c;
  std::optional<double> junction_c;

  Result<double> operator()(const Thermocouple& tc) const {
    if (!junction_c) return no_junction();
    const auto junction_v = emf_v(tc.type, *junction_c, tc.deviation_uv);
    if (!junction_v) return junction_v;
    const auto hot_v = emf_v(tc.type, t_c, tc.deviation_uv);
    if (!hot_v) return hot_v;
    return *hot_v - *junction_v;
  }
  Result<double> operator()(const Platinum& p) const { return resistance_ohm(p, t_c); }
  Result<double> operator()(const Sprt& s) const { return sprt_resistance_ohm(s, t_c); }
  Result<double> operator()(const Thermistor& t) const {
    if (!(t_c >= t.low_c && t_c <= t.high_c)) return beyond("thermistor", number(t_c) + " °C", {t.low_c, t.high_c});
    return thermistor_ohm(t, t_c);
  }
  Result<double> operator()(const CurrentTransmitter& t) const {
    const double part = (t_c - t.low_c) / (t.high_c - t.low_c);
    if (!(part >= -below_range && part <= 1 + above_range))
      return beyond("current transmitter", number(t_c) + " °C", {t.low_c, t.high_c});
    return t.low_a + part * (t.high_a - t.low_a);
  }
  Result<double> operator()(const Indicated&) const { return t_c; }
};

}  // namespace

Quantity quantity(const SensorModel& model) {
  struct Visitor {
    Quantity operator()(const Thermocouple&) const { return Quantity::voltage; }
    Quantity operator()(const Platinum&) const { return Quantity::resistance; }
    Quantity operator()(const Sprt&) const { return Quantity::resistance; }
    Quantity operator()(const Thermistor&) const { return Quantity::resistance; }
    Quantity operator()(const CurrentTransmitter&) const { return Quantity::current; }
    Quantity operator()(const Indicated&) const { return Quantity::temperature; }
  };
  return std::visit(Visitor{}, model);
}

TemperatureSpan span(const SensorModel& model) {
  struct Visitor {
    TemperatureSpan operator()(const Thermocouple& tc) const {
      TemperatureSpan out = reference_span(tc.type);
      if (tc.type == ThermocoupleType::b) out.low_c = type_b_minimum_c;
      return out;
    }
    TemperatureSpan operator()(const Platinum&) const { return platinum_span; }
    TemperatureSpan operator()(const Sprt& s) const { return sprt_span(s); }
    TemperatureSpan operator()(const Thermistor& t) const { return {t.low_c, t.high_c}; }
    TemperatureSpan operator()(const CurrentTransmitter& t) const { return {t.low_c, t.high_c}; }
    TemperatureSpan operator()(const Indicated&) const { return {-zero_c_k, 3000}; }
  };
  return std::visit(Visitor{}, model);
}

Result<double> temperature_c(const SensorModel& model, double raw, std::optional<double> junction_c) {
  if (!std::isfinite(raw)) return Error{Errc::out_of_range, "converting a raw value", "it is not a finite number", ""};
  return std::visit(ToTemperature{raw, junction_c}, model);
}

Result<double> raw_value(const SensorModel& model, double t_c, std::optional<double> junction_c) {
  if (!std::isfinite(t_c)) return Error{Errc::out_of_range, "converting a temperature", "it is not a finite number", ""};
  return std::visit(ToRaw{t_c, junction_c}, model);
}

Result<double> sensitivity_per_k(const SensorModel& model, double t_c) {
  if (const auto* tc = std::get_if<Thermocouple>(&model)) return seebeck_v_per_k(tc->type, t_c, tc->deviation_uv);
  if (const auto* p = std::get_if<Platinum>(&model)) return resistance_slope_ohm_per_k(*p, t_c);
  if (const auto* c = std::get_if<CurrentTransmitter>(&model)) return (c->high_a - c->low_a) / (c->high_c - c->low_c);
  if (std::holds_alternative<Indicated>(model)) return 1.0;
  // SPRT and thermistor: a central difference, from inside the range at its ends.
  const auto range = span(model);
  const double step_k = 0.005;
  const double low_c = std::max(range.low_c, t_c - step_k), high_c = std::min(range.high_c, t_c + step_k);
  const auto low = raw_value(model, low_c, std::nullopt), high = raw_value(model, high_c, std::nullopt);
  if (!low) return low;
  if (!high) return high;
  return (*high - *low) / (high_c - low_c);
}

}  // namespace nightwell::thermometry
