// Numbers as journals have them: what is read comes back the same when it is printed again.
#pragma once

#include <array>
#include <string_view>

namespace nightwell::journal::strict_json {

// `lexeme` has passed the grammar. nullptr, or what is wrong: beyond a double's range, or more digits than it holds.
[[nodiscard]] const char* read_double(std::string_view lexeme, double& out);

// The shortest text that reads back as the same finite double, in `into`.
[[nodiscard]] std::string_view print(double value, std::array<char, 32>& into);

}  // namespace nightwell::journal::strict_json
