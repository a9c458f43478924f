// emf <-> t90 of thermocouples, reference junction at 0 °C.
//
// Volts and °C. The inverse solves the reference function itself (Newton in a bracket, to 1e-11 °C or the last bit);
// the approximate inverse polynomials of the standard are not used. A deviation polynomial (microvolt, powers of t_c)
// is added to the reference function in both directions.
// Errors: out_of_range (beyond the type's range, not finite), ambiguous (type B: an emf at or below that of 0 °C has two
// temperatures).
// Source: IEC 60584-1:2013 / NIST Monograph 175; coefficients in thermocouple_tables.hpp.
#pragma once

#include <span>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

[[nodiscard]] Result<double> emf_v(ThermocoupleType type, double t_c, std::span<const double> deviation_uv = {});
[[nodiscard]] Result<double> seebeck_v_per_k(ThermocoupleType type, double t_c, std::span<const double> deviation_uv = {});
[[nodiscard]] Result<double> emf_temperature_c(ThermocoupleType type, double emf_v,
                                               std::span<const double> deviation_uv = {});

// The range of the reference function.
[[nodiscard]] TemperatureSpan reference_span(ThermocoupleType type);

}  // namespace nightwell::thermometry
