// The wording of this room's errors, and the checks that every part of it makes.
#pragma once

#include <charconv>
#include <cmath>
#include <string>
#include <string_view>

#include "nightwell/result.hpp"

namespace nightwell::uncertainty {

// Up to nine significant digits, '.' as the decimal point.
[[nodiscard]] inline std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 9).ptr};
}

[[nodiscard]] inline Error bad_input(std::string doing, std::string detail) {
  return {Errc::bad_input, std::move(doing), std::move(detail), ""};
}

// What is wrong with a size (a standard uncertainty, a half-width, an expanded uncertainty), or nothing.
[[nodiscard]] inline Result<void> check_size(std::string_view doing, std::string_view what, double value) {
  if (std::isfinite(value) && value >= 0) return {};
  return bad_input(std::string(doing),
                   std::string(what) + " is " + number(value) + "; it must be 0 or a finite number above");
}

// Degrees of freedom: 1 to infinity, not necessarily whole.
[[nodiscard]] inline Result<void> check_degrees_of_freedom(std::string_view doing, double value) {
  if (value >= 1) return {};
  return bad_input(std::string(doing), "the degrees of freedom are " + number(value) +
                                           "; at least 1 is needed (two readings), infinite is allowed");
}

// A coverage probability: above 0 and below 1.
[[nodiscard]] inline Result<void> check_coverage(std::string_view doing, double value) {
  if (value > 0 && value < 1) return {};
  return bad_input(std::string(doing), "the coverage probability is " + number(value) +
                                           "; it must lie between 0 and 1 (0.9545, not 95.45)");
}

}  // namespace nightwell::uncertainty
