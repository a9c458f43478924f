// A number with its unit, as people write it for the calculator: "100C", "4.0962mV", "138.5055ohm".
//
// Pure; no locale. Temperatures are points on a scale (t90), never differences.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "nightwell/quantity.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

// A value in this unit is base * per_base + zero, where base is in the quantity's own unit: °C, V, ohm or A.
struct Unit {
  std::string_view name;
  Quantity quantity = Quantity::temperature;
  double per_base = 1, zero = 0;

  [[nodiscard]] double to_base(double value) const { return (value - zero) / per_base; }
  [[nodiscard]] double from_base(double base) const { return base * per_base + zero; }
};

// C, K (kelvin), F; uV, mV, V; ohm, kohm; mA, A: as they are written, case included. nullopt: no such unit.
[[nodiscard]] std::optional<Unit> unit_named(std::string_view name);
// The unit of an answer where none is asked for: C, mV, ohm, mA.
[[nodiscard]] Unit usual_unit(Quantity quantity);
// "C, K or F"; "ohm or kohm".
[[nodiscard]] std::string unit_names(Quantity quantity);
// "C, K, F, uV, mV, V, ohm, kohm, mA or A"
[[nodiscard]] std::string unit_names();

struct Amount {
  double value = 0;  // in `unit`; finite
  Unit unit;

  [[nodiscard]] double base() const { return unit.to_base(value); }
};

// The whole text is one number and one unit, with no blank. The decimal sign is a point; an exponent and a sign in
// front are allowed. Errors: bad_input (no number, no unit, an unknown unit, not finite).
[[nodiscard]] Result<Amount> parse_amount(std::string_view text);

// At most `digits` significant digits and no zeros at the end: "100", "4.09623", "1.5e-07". Never "-0".
[[nodiscard]] std::string significant(double value, int digits);

}  // namespace nightwell::cli
