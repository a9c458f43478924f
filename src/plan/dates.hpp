// Calendar dates as ISO 8601 writes them: "2026-11-25". Dates of this form sort as texts.
#pragma once

#include <string_view>

namespace nightwell::plan {

// Four, two and two digits, and a day of the Gregorian calendar.
[[nodiscard]] bool is_date(std::string_view text);

}  // namespace nightwell::plan
