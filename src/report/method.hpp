// How a run measured and what was decided by, in words. Pure; no errors. Text from outside stands in it as it is.
#pragma once

#include <string>
#include <vector>

#include "results/course.hpp"
#include "results/results.hpp"

namespace nightwell::report {

// A paragraph each: profile and plateaus, settle rules, readings and their order, how an error comes about.
[[nodiscard]] std::vector<std::string> method(const results::Results& results, const results::Course& course);

// The decision rule and the coverage; or that there is no budget.
[[nodiscard]] std::vector<std::string> decision(const results::Results& results);

// Every fault, skipped or unclosed plateau, left-out channel and accepted overdue certificate, a sentence each.
[[nodiscard]] std::vector<std::string> marked(const results::Results& results);

}  // namespace nightwell::report
