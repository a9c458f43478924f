#include "results/days.hpp"

#include <charconv>

namespace nightwell::results {

std::optional<std::chrono::sys_days> day_of(std::string_view date) {
  int year = 0;
  unsigned month = 0, day = 0;
  if (date.size() < 10) return std::nullopt;
  std::from_chars(date.data(), date.data() + 4, year);
  std::from_chars(date.data() + 5, date.data() + 7, month);
  std::from_chars(date.data() + 8, date.data() + 10, day);
  const std::chrono::year_month_day found{std::chrono::year(year), std::chrono::month(month), std::chrono::day(day)};
  if (!found.ok()) return std::nullopt;
  return std::chrono::sys_days(found);
}

}  // namespace nightwell::results
