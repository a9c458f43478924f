// emf <-> t90 of thermocouples, reference junction at 0 °C.
//
// Volt and °C. A deviation polynomial (microvolt; coefficients of t_c^0, t_c^1, …; may be empty) is added to the
// reference function in both directions.
// The inverse solves the reference function itself, by Newton's method inside a bracket; the approximate inverse
// polynomials of the standard are not used. A round trip returns within 1e-9 °C, but for the joins between two pieces of
// a reference function, where the functions themselves step: by at most 7e-6 °C (type C at 630.615 °C), 1e-6 °C for the
// other types.
// Errors: out_of_range (beyond the type's range; not a number); ambiguous (type B: an emf between its minimum, -2.58 uV
// at 21.02 °C, and that of 0 °C belongs to two temperatures below 42.13 °C); bad_input (a deviation that makes the emf
// fall with temperature, so that there is no inverse).
// Source: IEC 60584-1:2013 / NIST Monograph 175; coefficients in thermocouple_tables.hpp; check values: tests/published.
#pragma once

#include <span>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

[[nodiscard]] Result<double> emf_v(ThermocoupleType type, double t_c, std::span<const double> deviation_uv = {});

// Seebeck coefficient dE/dt, volt per kelvin. At a join the slope from below: type N has a step of 0.9 % at 0 °C.
[[nodiscard]] Result<double> seebeck_v_per_k(ThermocoupleType type, double t_c,
                                             std::span<const double> deviation_uv = {});

[[nodiscard]] Result<double> emf_temperature_c(ThermocoupleType type, double emf_v,
                                               std::span<const double> deviation_uv = {});

// The range of the reference function.
[[nodiscard]] TemperatureSpan reference_span(ThermocoupleType type);

// The part of it where the emf rises with temperature: all of it, but for type B, which starts at its minimum.
[[nodiscard]] TemperatureSpan rising_span(ThermocoupleType type);

}  // namespace nightwell::thermometry
