// Linear current transmitters: ampere <-> t90.
//
// t = low_c + (I - low_a) / (high_a - low_a) · (high_c - low_c). A signal from 1.25 % of its span below low_a to 3.125 %
// above high_a still is a measurement: 3.8 to 20.5 mA for 4 to 20 mA. Beyond that it reports a fault, or the loop is open
// or shorted, and there is no temperature in it. Common practice, no source.
// Errors: out_of_range (such a signal; a temperature that would give one); bad_input (a card whose two ends coincide).
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

[[nodiscard]] Result<double> transmitter_temperature_c(const CurrentTransmitter& transmitter, double current_a);
[[nodiscard]] Result<double> transmitter_current_a(const CurrentTransmitter& transmitter, double t_c);
[[nodiscard]] Result<double> transmitter_slope_a_per_k(const CurrentTransmitter& transmitter, double t_c);

}  // namespace nightwell::thermometry
