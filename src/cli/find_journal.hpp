// Which journal is meant: a path, a run's id, or nothing at all. No daemon is needed.
#pragma once

#include <filesystem>
#include <string>

#include "nightwell/result.hpp"

namespace nightwell::cli {

// `name` is a path where it holds a '/' or ends in .ndjson (a folder stands for the journal in it), otherwise
// a run's id, looked up in the state folder; empty: the newest run there, by the UTC label of its first
// record. `state` may be an error: it comes back only where the state folder is needed. Errors: not_found (no
// such file or run; no runs), storage (the state folder cannot be read).
Result<std::filesystem::path> find_journal(const std::string& name, const Result<std::filesystem::path>& state);

}  // namespace nightwell::cli
