// What holds for the plan loader whatever the files hold: a plan that is whole, or faults that can be told.
#pragma once

#include <string>
#include <string_view>

#include "plan/loader.hpp"

namespace nightwell::tests {

// The shipped profile with the demo's bench, job and cards.
[[nodiscard]] plan::InputFiles shipped_files();

// Loads the files; says what is wrong with the answer, or nothing (the empty string).
[[nodiscard]] std::string complaint_about(const plan::InputFiles& files);

// The same of the shipped files with one replaced: the first byte says which (profile, bench, job, then the cards in the order of
// their paths), the rest is its text.
[[nodiscard]] std::string complaint_about_plan_input(std::string_view input);

}  // namespace nightwell::tests
