// What a sensor is, and its raw value <-> t90.
//
// Pure values and functions; no state. All temperatures are t90 in degrees Celsius (ITS-90).
// Raw units: volt, ohm, ampere, or °C for an instrument that worked the temperature out itself.
// Sources: IEC 60584-1:2013 / NIST Monograph 175 (thermocouples), IEC 60751:2022 (platinum), ITS-90 text
// (Preston-Thomas 1990; SPRTs). Check values: tests/published/.
#pragma once

#include <array>
#include <optional>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/quantity.hpp"
#include "nightwell/result.hpp"

namespace nightwell::thermometry {

enum class ThermocoupleType { a, b, c, e, j, k, n, r, s, t };

// emf = reference function(t) + deviation(t); deviation_uv holds the coefficients of t_c^0, t_c^1, … in microvolt,
// empty for a sensor that follows the reference function.
struct Thermocouple {
  ThermocoupleType type = ThermocoupleType::k;
  std::vector<double> deviation_uv;
};

// IEC 60751 / Callendar–Van Dusen. R = R0 (1 + A t + B t² + [t<0] C (t-100) t³).
struct Platinum {
  double r0_ohm = 100.0;
  double a_per_c = 3.9083e-3;
  double b_per_c2 = -5.775e-7;
  double c_per_c4 = -4.183e-12;
};

// An SPRT on ITS-90: W = R / r_tpw_ohm, Wr = W - deviation(W). One card may join a subrange below and one above the
// triple point of water; a missing one makes that side out of range. Coefficients in the order that the ITS-90 text
// gives for the subrange (subrange numbers as in ITS-90: 1..4 below, 5 around, 6..11 above).
struct SprtSubrange {
  int number = 0;
  std::vector<double> coefficients;
};
struct Sprt {
  double r_tpw_ohm = 25.5;
  std::optional<SprtSubrange> below;
  std::optional<SprtSubrange> above;
};

// Steinhart–Hart: 1/T = a + b ln R + c (ln R)³, T in kelvin, R in ohm.
struct Thermistor {
  double a = 0, b = 0, c = 0;
  double low_c = -50, high_c = 150;
};

// The general form of it: 1/T = a0 + a1 ln R + a2 (ln R)² + …, T in kelvin, R in ohm; two to six coefficients, a0 first.
struct ThermistorPolynomial {
  std::vector<double> coefficients;
  double low_c = -50, high_c = 150;
};

// A linear transmitter: low_a at low_c, high_a at high_c.
struct CurrentTransmitter {
  double low_c = 0, high_c = 100;
  double low_a = 0.004, high_a = 0.020;
};

// The instrument gives a temperature; there is nothing to convert.
struct Indicated {};

using SensorModel =
    std::variant<Thermocouple, Platinum, Sprt, Thermistor, ThermistorPolynomial, CurrentTransmitter, Indicated>;

struct TemperatureSpan {
  double low_c = 0, high_c = 0;
};

// Which quantity this sensor gives.
[[nodiscard]] Quantity quantity(const SensorModel& model);

// Where the model is defined. For thermocouples the reference function's range; type B from its minimum up.
[[nodiscard]] TemperatureSpan span(const SensorModel& model);

// Raw value -> t90. `junction_c` is the temperature of the reference junction, needed for thermocouples only (the
// correction goes through emf, never by adding temperatures); ignored for other models.
// Errors: out_of_range (raw outside the model's span, or not finite), ambiguous (type B), bad_input (a thermocouple
// without a junction).
[[nodiscard]] Result<double> temperature_c(const SensorModel& model, double raw, std::optional<double> junction_c);

// t90 -> raw value: the inverse of temperature_c.
[[nodiscard]] Result<double> raw_value(const SensorModel& model, double t_c, std::optional<double> junction_c);

// d raw / d t at t_c, in raw unit per kelvin.
[[nodiscard]] Result<double> sensitivity_per_k(const SensorModel& model, double t_c);

// "K" <-> ThermocoupleType::k; case as in the standard (upper). nullopt where there is no such type.
[[nodiscard]] std::optional<ThermocoupleType> thermocouple_type(std::string_view letter);
[[nodiscard]] char letter(ThermocoupleType type);

}  // namespace nightwell::thermometry
