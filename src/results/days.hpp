// Days between dates of the form "2026-11-25", as cards and journals carry them.
#pragma once

#include <chrono>
#include <optional>
#include <string_view>

namespace nightwell::results {

// The mean year of the Julian calendar, which is the year of "a year" here.
inline constexpr double days_a_year = 365.25;

// Of the first ten characters; nothing where they are no day of the calendar.
[[nodiscard]] std::optional<std::chrono::sys_days> day_of(std::string_view date);

}  // namespace nightwell::results
