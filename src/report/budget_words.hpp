// Words about a line of a budget that its name does not hold. Pure; no errors. Text from outside stands in it as it is.
#pragma once

#include <string>

#include "results/results.hpp"

namespace nightwell::report {

// "one error in reference, pt100-1": the channels that share it; "" for a line of one place alone.
[[nodiscard]] std::string shared_words(const results::BudgetLine& line, const results::Results& results);

}  // namespace nightwell::report
