// Thermistors by a polynomial in ln R, as certificates state it: R <-> t90.
//
// 1/T = a0 + a1 ln R + … + an (ln R)^n, T in kelvin, R in ohm; n from 1 to 5. Steinhart–Hart (thermistor.hpp) is the case
// without the square. Solved backwards by Newton's method inside a bracket; a round trip returns within 1e-9 °C.
// A polynomial may turn, and then one temperature has several resistances. It is taken only where there is one stretch of
// resistances, between 0.01 ohm and 1 Gohm, over which R falls all the way from low_c to high_c.
// Errors: out_of_range (R or t90 beyond the card's range; R not above 0); bad_input (low_c not below high_c or below absolute
// zero; other than two to six coefficients; no such stretch, or several); of the slope also where R changes by less than a
// millionth a kelvin.
// Source: Hoge, Rev. Sci. Instrum. 59 (1988) 975, for the form and its orders (citation from memory); check values:
// tests/published.
#pragma once

#include <cstddef>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

inline constexpr std::size_t lowest_thermistor_degree = 1, highest_thermistor_degree = 5;

[[nodiscard]] Result<double> thermistor_temperature_c(const ThermistorPolynomial& thermistor, double r_ohm);
[[nodiscard]] Result<double> thermistor_resistance_ohm(const ThermistorPolynomial& thermistor, double t_c);
[[nodiscard]] Result<double> thermistor_slope_ohm_per_k(const ThermistorPolynomial& thermistor, double t_c);

}  // namespace nightwell::thermometry
