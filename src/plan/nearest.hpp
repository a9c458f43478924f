// "Did you mean …?": the known word that is nearest to a mistyped one.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace nightwell::plan {

// Fewest insertions, deletions, replacements and swaps of neighbours, no place edited twice (optimal string
// alignment), in bytes. Works on at most the first 64 bytes of each.
[[nodiscard]] std::size_t edit_distance(std::string_view a, std::string_view b);

// The nearest of `known`, the first where several are as near; nullopt where none is near enough to be meant: more than
// two edits and more than a third of the longer word.
[[nodiscard]] std::optional<std::string> nearest(std::string_view word, const std::vector<std::string>& known);

// "did you mean \"setpoint_c\"?", empty where nothing is near.
[[nodiscard]] std::string meant(std::string_view word, const std::vector<std::string>& known);

}  // namespace nightwell::plan
