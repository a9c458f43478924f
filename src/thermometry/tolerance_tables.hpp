// The rows of the standards' tolerance tables: numbers only. Sources: tolerance.hpp.
#pragma once

#include <array>
#include <string_view>

#include "nightwell/thermometry/sensor.hpp"
#include "thermometry/tolerance.hpp"

namespace nightwell::thermometry::tables {

// The larger of floor_k and offset_k + fraction |t|: offset_k is -2.3 K for 1 K + 0.003 (t - 1100 °C), else 0.
template <class Grade>
struct ThermocoupleRow {
  Grade grade;
  std::string_view types;  // letters
  double floor_k, fraction;
  TemperatureSpan span_c;
  double offset_k = 0;
};

inline constexpr std::array<ThermocoupleRow<Iec60584Class>, 16> iec_60584{{
    {Iec60584Class::one, "T", 0.5, 0.004, {-40, 350}},
    {Iec60584Class::one, "E", 1.5, 0.004, {-40, 800}},
    {Iec60584Class::one, "J", 1.5, 0.004, {-40, 750}},
    {Iec60584Class::one, "KN", 1.5, 0.004, {-40, 1000}},
    {Iec60584Class::one, "RS", 1.0, 0.003, {0, 1600}, 1.0 - 0.003 * 1100},
    {Iec60584Class::two, "T", 1.0, 0.0075, {-40, 350}},
    {Iec60584Class::two, "E", 2.5, 0.0075, {-40, 900}},
    {Iec60584Class::two, "J", 2.5, 0.0075, {-40, 750}},
    {Iec60584Class::two, "KN", 2.5, 0.0075, {-40, 1200}},
    {Iec60584Class::two, "RS", 1.5, 0.0025, {0, 1600}},
    {Iec60584Class::two, "B", 1.5, 0.0025, {600, 1700}},
    {Iec60584Class::two, "C", 0, 0.01, {426, 2315}},
    {Iec60584Class::two, "A", 0, 0.01, {1000, 2500}},
    {Iec60584Class::three, "T", 1.0, 0.015, {-200, 40}},
    {Iec60584Class::three, "EKN", 2.5, 0.015, {-200, 40}},
    {Iec60584Class::three, "B", 4.0, 0.005, {600, 1700}},
}};

// A type with a row below 0 °C has one from there up as well; at 0 °C the two agree.
inline constexpr std::array<ThermocoupleRow<AstmE230Grade>, 18> astm_e230{{
    {AstmE230Grade::standard, "T", 1.0, 0.015, {-200, 0}},
    {AstmE230Grade::standard, "T", 1.0, 0.0075, {0, 370}},
    {AstmE230Grade::standard, "E", 1.7, 0.01, {-200, 0}},
    {AstmE230Grade::standard, "E", 1.7, 0.005, {0, 870}},
    {AstmE230Grade::standard, "K", 2.2, 0.02, {-200, 0}},
    {AstmE230Grade::standard, "KN", 2.2, 0.0075, {0, 1260}},
    {AstmE230Grade::standard, "J", 2.2, 0.0075, {0, 760}},
    {AstmE230Grade::standard, "RS", 1.5, 0.0025, {0, 1480}},
    {AstmE230Grade::standard, "B", 0, 0.005, {870, 1700}},
    {AstmE230Grade::standard, "C", 4.4, 0.01, {0, 2315}},
    {AstmE230Grade::special, "T", 0.5, 0.008, {-200, 0}},
    {AstmE230Grade::special, "T", 0.5, 0.004, {0, 370}},
    {AstmE230Grade::special, "E", 1.0, 0.005, {-200, 0}},
    {AstmE230Grade::special, "E", 1.0, 0.004, {0, 870}},
    {AstmE230Grade::special, "J", 1.1, 0.004, {0, 760}},
    {AstmE230Grade::special, "KN", 1.1, 0.004, {0, 1260}},
    {AstmE230Grade::special, "RS", 0.6, 0.001, {0, 1480}},
    {AstmE230Grade::special, "B", 0, 0.0025, {870, 1700}},
}};

// constant_k + fraction |t|
struct PlatinumRow {
  double constant_k, fraction;
  TemperatureSpan wire_wound_c, film_c;
};
// In the order of Iec60751Class.
inline constexpr std::array<PlatinumRow, 4> iec_60751{{
    {0.1, 0.0017, {-50, 250}, {0, 150}},
    {0.15, 0.002, {-100, 450}, {-30, 300}},
    {0.3, 0.005, {-196, 600}, {-50, 500}},
    {0.6, 0.01, {-196, 600}, {-50, 600}},
}};
// In the order of AstmE1137Grade; the standard makes no difference between builds.
inline constexpr TemperatureSpan astm_e1137_c{-200, 650};
inline constexpr std::array<PlatinumRow, 2> astm_e1137{{
    {0.13, 0.0017, astm_e1137_c, astm_e1137_c},
    {0.25, 0.0042, astm_e1137_c, astm_e1137_c},
}};

}  // namespace nightwell::thermometry::tables
