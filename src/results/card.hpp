// A channel's card as its journal record has it.
//
// Errors: Fields keeps the first thing that is not as docs/journal.md says.
#pragma once

#include <cstddef>

#include "results/fields.hpp"
#include "results/results.hpp"

namespace nightwell::results {

// `channels`: how many the opening names.
[[nodiscard]] Channel card_of(const Fields& fields, std::size_t channels);

}  // namespace nightwell::results
