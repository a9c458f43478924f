// The page of a report as a mustache template: src/report/report.mustache.html, built in.
#pragma once

#include <string_view>

namespace nightwell::report {

[[nodiscard]] std::string_view page_template();

}  // namespace nightwell::report
