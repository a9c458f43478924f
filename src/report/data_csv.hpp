// Every reading of a run, and every plateau, as a table for a spreadsheet: docs/report.md has the columns.
//
// RFC 4180, UTF-8, CRLF; numbers read back exactly. In the order of the journal, a line a reading; a plateau's line
// stands where it closed. Errors: of reading the file, those of journal/reader.hpp; damaged; whatever `write` failed
// with.
#pragma once

#include <filesystem>
#include <functional>
#include <span>
#include <string_view>

#include "nightwell/result.hpp"
#include "results/results.hpp"

namespace nightwell::report {

using WriteText = std::function<Result<void>(std::string_view)>;

// `results` are those of the same journal; records behind those that they rest on are not looked at.
Result<void> write_data(const std::filesystem::path& path, const results::Results& results, const WriteText& write);
Result<void> write_data(std::span<const journal::Record> records, const results::Results& results,
                        const WriteText& write);

}  // namespace nightwell::report
