// The wording of this room's errors, so that every sensor says the same thing the same way.
#pragma once

#include <charconv>
#include <string>
#include <string_view>

#include "nightwell/result.hpp"

namespace nightwell::thermometry {

// Up to nine significant digits, '.' as the decimal point.
[[nodiscard]] inline std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 9).ptr};
}

// "4.2 mV is outside -6.45773795 to 54.8863637 mV"
[[nodiscard]] inline Error beyond(std::string doing, double found, double lowest, double highest,
                                  std::string_view unit) {
  const std::string space_unit = " " + std::string(unit);
  return {Errc::out_of_range, std::move(doing),
          number(found) + space_unit + " is outside " + number(lowest) + " to " + number(highest) + space_unit, ""};
}

[[nodiscard]] inline Error bad_coefficients(std::string doing, std::string detail) {
  return {Errc::bad_input, std::move(doing), std::move(detail) + "; correct the sensor card", ""};
}

}  // namespace nightwell::thermometry
