// Thermistors by the Steinhart–Hart equation: R <-> t90.
//
// 1/T = a + b ln R + c (ln R)³, T in kelvin, R in ohm, solved backwards in closed form (the cubic has one root where R
// falls with temperature). Ranges: the card's low_c to high_c, nothing beyond.
// Errors: out_of_range (R or t90 beyond the card's range; R not above 0); bad_input (low_c not below high_c or below
// absolute zero, or coefficients that make R rise with temperature, which no such thermistor does).
// Source: Steinhart and Hart, Deep-Sea Research 15 (1968) 497 (citation from memory); check values: tests/published.
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

[[nodiscard]] Result<double> thermistor_temperature_c(const Thermistor& thermistor, double r_ohm);
[[nodiscard]] Result<double> thermistor_resistance_ohm(const Thermistor& thermistor, double t_c);
[[nodiscard]] Result<double> thermistor_slope_ohm_per_k(const Thermistor& thermistor, double t_c);

}  // namespace nightwell::thermometry
