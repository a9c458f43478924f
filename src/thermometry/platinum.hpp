// Industrial platinum resistance thermometers: R <-> t90.
//
// R = R0 (1 + A t + B t² + [t<0] C (t-100) t³), ohm and °C, -200 to 850 °C. Closed form from 0 °C up, Newton below.
// Errors: out_of_range. Source: IEC 60751:2022, 5.2 (Callendar–Van Dusen); check values: tests/published.
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

inline constexpr TemperatureSpan platinum_span{-200, 850};

[[nodiscard]] Result<double> resistance_ohm(const Platinum& probe, double t_c);
[[nodiscard]] Result<double> resistance_temperature_c(const Platinum& probe, double r_ohm);
[[nodiscard]] Result<double> resistance_slope_ohm_per_k(const Platinum& probe, double t_c);

}  // namespace nightwell::thermometry
