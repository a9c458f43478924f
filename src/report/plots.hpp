// The plots of a report, as SVG text. Nothing in them comes from outside but numbers. Pure; no errors.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "results/course.hpp"
#include "results/fit_item.hpp"
#include "results/results.hpp"

namespace nightwell::report {

// Setpoints and reference over the night; settle windows and captures shaded, with the plateaus' numbers.
[[nodiscard]] std::string night_plot(const results::Results& results, const results::Course& course);

// The reference around its mean in the settle window, with the line of its drift and what the rule allows.
// "" for a plateau without a window.
[[nodiscard]] std::string window_plot(const results::PlateauCourse& plateau);

// Error against setpoint of one channel, with U and the limits of its tolerance. "" without any error.
[[nodiscard]] std::string error_plot(const results::Results& results, std::size_t channel);

// What a fit leaves at each plateau, against the reference's temperature, with twice the standard uncertainty of each point.
[[nodiscard]] std::string residual_plot(const results::Results& results, const results::ItemFit& fit);

}  // namespace nightwell::report
