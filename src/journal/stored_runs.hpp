// The runs of a state folder as their journals tell them: `runs/RUN`, a folder a run. Reads the first line of each journal and the last
// two only.
//
// Errors: storage (the folder of the runs cannot be read).
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::journal {

struct StoredRun {
  std::string run, profile, bench, job, opened_utc;
  std::optional<std::string> ending;  // nullopt: no closing record
  std::filesystem::path journal;
  std::string trouble;  // why the journal cannot be read; empty if it can
};

// Oldest first. `second`: where journals go on whose own disk failed, in a folder a run; empty where there is none.
[[nodiscard]] Result<std::vector<StoredRun>> stored_runs(const std::filesystem::path& runs_folder,
                                                         const std::filesystem::path& second = {});

}  // namespace nightwell::journal
