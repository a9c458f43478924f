// A table of numbers in a text file: a header line with the columns' names, then a row a line.
//
// Separator: the first of tab, semicolon and comma that the header holds. The decimal sign is a point. Blank lines and a
// carriage return before the line feed are skipped over. At most 10 million rows.
// Errors: not_found (no such file); bad_input, with the file and the line in `where`: a column that is not there (the columns
// that are, in the message), a row with fewer cells than asked for, a cell that is not a finite number, no rows.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::cli {

// Per row, the numbers of the columns asked for, in the order asked.
[[nodiscard]] Result<std::vector<std::vector<double>>> read_columns(const std::filesystem::path& file,
                                                                    const std::vector<std::string>& columns);

}  // namespace nightwell::cli
