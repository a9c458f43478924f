// A survey's end as text for people: what was found, and all channels with what they read last.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

namespace nightwell::cli {

// `status`: a STATUS object (docs/control.md) of a survey. Lines, each ended by LF; safe for a terminal.
[[nodiscard]] std::string survey_text(const nlohmann::json& status);

}  // namespace nightwell::cli
