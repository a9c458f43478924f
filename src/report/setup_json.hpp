// The frozen plan of a run as its journal has it: one JSON object, "format": "nightwell-setup/1" (docs/report.md).
// Errors: of reading the file, those of journal/reader.hpp.
#pragma once

#include <filesystem>
#include <span>
#include <string>

#include "nightwell/result.hpp"
#include "results/results.hpp"

namespace nightwell::report {

// ASCII, with a LF at the end. `results` are those of the same journal.
Result<std::string> setup_json(const std::filesystem::path& path, const results::Results& results);
std::string setup_json(std::span<const journal::Record> records, const results::Results& results);

}  // namespace nightwell::report
