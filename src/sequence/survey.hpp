// The technician's look at every sensor before the night: which are open, of a wrong type, or out of line.
//
// Method: a channel without one good reading is `open` if its instrument said so at least once, `wrong_type`
// if its raw value lies outside what its card's model is defined for. A channel whose median differs from the
// median of all by more than `outlier_k` is an `outlier`; by more than ten times that, rather a `wrong_type`.
// With fewer than three good channels the expected temperature stands in for the median of all. Common
// practice, no source.
#pragma once

#include <vector>

#include "sequence/events.hpp"
#include "sequence/plan.hpp"

namespace nightwell::sequence {

// `read_c` and `faults` have an entry a channel of the plan.
[[nodiscard]] std::vector<SurveyFinding> survey_findings(const Plan& plan,
                                                         const std::vector<std::vector<double>>& read_c,
                                                         const std::vector<std::vector<ReadingFault>>& faults);

}  // namespace nightwell::sequence
