// What a guardian was told to guard, kept beside its log: where a computer dies, its guardians die with it, and whoever finds the
// run later must know which source to switch off, and how to speak to it.
//
// One line, the Setup of protocol.hpp as the guardian received it.
#pragma once

#include <filesystem>
#include <string_view>

#include "guardian/protocol.hpp"
#include "nightwell/result.hpp"

namespace nightwell::guardian {

// guardian-bath.log -> guardian-bath.setup
[[nodiscard]] std::filesystem::path setup_file(const std::filesystem::path& log);

// On disk when it returns. storage: it could not be kept.
[[nodiscard]] Result<void> keep_setup(const std::filesystem::path& log, std::string_view line);

// not_found: there is none; bad_input: it is none.
[[nodiscard]] Result<Setup> kept_setup(const std::filesystem::path& log);

// Whether the process that writes this log still lives; it holds a lock on it (log.hpp).
[[nodiscard]] bool is_written(const std::filesystem::path& log);

}  // namespace nightwell::guardian
