// ITS-90 for standard platinum resistance thermometers: reference functions, their solved inverse, deviation functions.
//
// W = R(t90) / R(0.01 °C); Wr = W - deviation(W), the deviation a function of the measured W (not of Wr: the two differ by
// up to 0.02 mK). Temperatures in °C, -259.3467 to 961.78. The inverse solves the reference function by Newton's method;
// the scale's approximate inverses (good to 0.13 mK) only say where to start.
//
// Deviation functions by subrange, x = W - 1, l = ln W, coefficients in the order of the letters:
//   1  a x + b x² + c1 l³ + c2 l⁴ + c3 l⁵ + c4 l⁶ + c5 l⁷     from 13.8033 K
//   2  a x + b x² + c1 l + c2 l² + c3 l³                      from 24.5561 K
//   3  a x + b x² + c1 l²                                     from 54.3584 K
//   4  a x + b x l                                            from 83.8058 K       1 to 4 up to 273.16 K
//   5  a x + b x²                                             -38.8344 to 29.7646 °C
//   6  a x + b x² + c x³ + d (W - W(660.323 °C))², the last term above 660.323 °C only     to 961.78 °C
//   7  a x + b x² + c x³                                      to 660.323 °C        6 to 11 from 0 °C
//   8  a x + b x²                                             to 419.527 °C
//   9  a x + b x²                                             to 231.928 °C
//   10 a x                                                    to 156.5985 °C
//   11 a x                                                    to 29.7646 °C
// Below 0.01 °C a card's `below` holds (1 to 5), from the low end of `above` (5 to 11) upwards that one.
//
// Errors: out_of_range (no subrange of the card holds there; not a number); bad_input (a subrange number, its place or the
// number of its coefficients is wrong; R at the triple point not positive).
// Source: the ITS-90 text (Preston-Thomas 1990), equations 9 to 14. Check values: tests/published.
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

// How far past the end of a subrange it still is used: a thermometer in its own fixed-point cell reads some microkelvin
// to millikelvin beyond it. Common practice, no source.
inline constexpr double subrange_slack_k = 0.005;

// Wr of the reference function at t90, and the inverse, which also has the slack: the Wr of a fixed point as the scale's text
// gives it, in eight decimals, may lie past the end.
[[nodiscard]] Result<double> reference_ratio(double t_c);
[[nodiscard]] Result<double> reference_temperature_c(double wr);

// W - Wr at the measured W > 0.
[[nodiscard]] Result<double> deviation(const SprtSubrange& subrange, double w);

[[nodiscard]] Result<double> sprt_temperature_c(const Sprt& sprt, double r_ohm);
[[nodiscard]] Result<double> sprt_resistance_ohm(const Sprt& sprt, double t_c);
[[nodiscard]] Result<double> sprt_slope_ohm_per_k(const Sprt& sprt, double t_c);

// From the lowest to the highest temperature that the card's subranges hold; the triple point alone for a card with
// none. A subrange that does not exist is left out; conversions refuse it.
[[nodiscard]] TemperatureSpan sprt_span(const Sprt& sprt);

}  // namespace nightwell::thermometry
