// The coefficients of the ITS-90 reference functions for platinum, and the ranges of the deviation functions.
//
// Source: the text of the ITS-90 (Preston-Thomas 1990), tables 1 and 4; the same in NIST Technical Note 1265.
// Subranges are numbered as in Technical Note 1265 (from memory; other texts number them differently).
// Check values: tests/published (all defining fixed points).
#pragma once

#include <array>
#include <cstddef>

#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry::tables {

// ln Wr = sum A_i [(ln(T/273.16 K) + 1.5)/1.5]^i, 13.8033 K to 273.16 K.
inline constexpr std::array<double, 13> reference_below{-2.13534729, 3.1832472,   -1.80143597, 0.71727204, 0.50344027,
                                                        -0.61899395, -0.05332322, 0.28021362,  0.10715224, -0.29302865,
                                                        0.04459872,  0.11868632,  -0.05248134};

// Wr = sum C_i [(T/K - 754.15)/481]^i, 273.15 K to 1234.93 K.
inline constexpr std::array<double, 10> reference_above{2.78157254, 1.64650916, -0.1371439,  -0.00649767, -0.00234444,
                                                        0.00511868, 0.00187982, -0.00204472, -0.00046122, 0.00045724};

// T/273.16 K = sum B_i [(Wr^(1/6) - 0.65)/0.35]^i: agrees with the reference function within 0.1 mK.
inline constexpr std::array<double, 16> inverse_below{
    0.183324722,  0.240975303, 0.209108771, 0.190439972, 0.142648498,  0.077993465,  0.012475611, -0.032267127,
    -0.075291522, -0.05647067, 0.076201285, 0.123893204, -0.029201193, -0.091173542, 0.001317696, 0.026025526};

// T/K - 273.15 = sum D_i [(Wr - 2.64)/1.64]^i: within 0.13 mK.
inline constexpr std::array<double, 10> inverse_above{439.932854, 472.41802, 37.684494, 7.472018, 2.920828,
                                                      0.005184,   -0.963864, -0.188732, 0.191203, 0.049025};

struct Subrange {
  TemperatureSpan span_c;
  std::size_t coefficients;
};

inline constexpr double triple_point_c = 0.01;
inline constexpr double aluminium_c = 660.323;

// Subrange n is subranges[n - 1].
inline constexpr std::array<Subrange, 11> subranges{{
    {{-259.3467, triple_point_c}, 7},  // a, b, c1 … c5
    {{-248.5939, triple_point_c}, 5},  // a, b, c1, c2, c3
    {{-218.7916, triple_point_c}, 3},  // a, b, c1
    {{-189.3442, triple_point_c}, 2},  // a, b
    {{-38.8344, 29.7646}, 2},          // a, b
    {{0, 961.78}, 4},                  // a, b, c, d
    {{0, aluminium_c}, 3},             // a, b, c
    {{0, 419.527}, 2},                 // a, b
    {{0, 231.928}, 2},                 // a, b
    {{0, 156.5985}, 1},                // a
    {{0, 29.7646}, 1},                 // a
}};

}  // namespace nightwell::thermometry::tables
