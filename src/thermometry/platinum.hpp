// Industrial platinum resistance thermometers: R <-> t90.
//
// R = R0 (1 + A t + B t² + [t<0] C (t-100) t³), ohm and °C, -200 to 850 °C; the branch changes where R = R0. Closed form
// from 0 °C up, Newton's method below, to the last bits. A card's own limits are not looked at here.
// Errors: out_of_range (beyond -200 to 850 °C; not a number); bad_input (R0 not positive, or coefficients whose R does not
// rise over the whole range, so that there is no inverse).
// Source: IEC 60751:2022, 5.2 (Callendar–Van Dusen form); check values: tests/published.
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

inline constexpr TemperatureSpan platinum_span{-200, 850};

[[nodiscard]] Result<double> resistance_ohm(const Platinum& probe, double t_c);
[[nodiscard]] Result<double> resistance_temperature_c(const Platinum& probe, double r_ohm);
[[nodiscard]] Result<double> resistance_slope_ohm_per_k(const Platinum& probe, double t_c);

}  // namespace nightwell::thermometry
