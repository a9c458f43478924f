// A checked plan as text for people: what would be done, with what, within which limits, and for how long.
//
// Pure. Text from outside is made safe.
#pragma once

#include <string>

#include "sequence/plan.hpp"

namespace nightwell::cli {

// Lines, each ended by LF.
[[nodiscard]] std::string plan_text(const sequence::Plan& plan);

}  // namespace nightwell::cli
