// The runs of a state folder, as the relay shows them. Reads a line at each end of a journal, not what is between.
// Errors: not_found (no such run, no run at all), storage.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

// Newest last; runs without a readable first record come first. Folders whose name is no run's id, or that hold no journal, are no runs.
[[nodiscard]] Result<std::vector<remote::RunLine>> list_runs(const std::filesystem::path& runs_folder);

// The folder's name of the run that was opened last.
[[nodiscard]] Result<std::string> newest_run(const std::filesystem::path& runs_folder);

}  // namespace nightwell::relay
