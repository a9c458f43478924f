// ITS-90 for standard platinum resistance thermometers: reference functions, their solved inverse, deviation functions.
//
// W = R(t90) / R(273.16 K); Wr = W - deviation(W), the deviation a function of the measured W. Kelvin inside, °C outside.
// 13.8033 K to 273.16 K: ln Wr = A0 + sum A_i [(ln(T/273.16 K) + 1.5)/1.5]^i; 273.15 K to 1234.93 K: Wr = C0 + sum C_i
// [(T/K - 754.15)/481]^i. The inverse solves these functions (Newton in a bracket); the approximate inverses of the scale
// serve as first guess only. Errors: out_of_range, bad_input (a subrange number that is not 1 to 11, or a wrong number of
// coefficients for it).
// Source: the ITS-90 text (Preston-Thomas 1990); subrange numbers as in NIST TN 1265. Check values: tests/published.
#pragma once

#include <string>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

// Wr of the reference function at t90; 13.8033 K to 1234.93 K.
[[nodiscard]] Result<double> reference_ratio(double t_c);
// Its inverse.
[[nodiscard]] Result<double> reference_temperature_c(double wr);

// The deviation W - Wr of a subrange at the measured W. `subrange` has passed check().
[[nodiscard]] double deviation(const SprtSubrange& subrange, double w);
[[nodiscard]] Result<void> check(const SprtSubrange& subrange);
[[nodiscard]] TemperatureSpan subrange_span(int number);

[[nodiscard]] Result<double> sprt_temperature_c(const Sprt& sprt, double r_ohm);
[[nodiscard]] Result<double> sprt_resistance_ohm(const Sprt& sprt, double t_c);
[[nodiscard]] TemperatureSpan sprt_span(const Sprt& sprt);

}  // namespace nightwell::thermometry
