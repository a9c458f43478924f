// The look of a run: one STATUS object (docs/control.md) as a page of plain text.
//
// Pure: no clock, no terminal, no colours; words and shapes carry the state. Text from outside is made safe
// here.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

namespace nightwell::cli {

// Lines joined by LF, without one at the end; each at most `columns` wide (below 30 the page is cut at its
// right). `rows` > 0: at most that many lines, the last one the hint how to leave; what matters least gives
// way, long lists are cut around what is happening now and say how much is missing. `rows` <= 0: everything,
// and no hint. Whatever `status` lacks is left out.
[[nodiscard]] std::string render(const nlohmann::json& status, int columns, int rows);

// A bar of `columns` cells: bar(0.5, 8) is "[███░░░]". The fraction is kept within 0..1, and only a whole one
// fills the last cell.
[[nodiscard]] std::string bar(double fraction, std::size_t columns);

}  // namespace nightwell::cli
