// The hooks file (`nightwelld --hooks`, docs/hooks.md): which program is run when.
#pragma once

#include <cstddef>
#include <filesystem>
#include <string>
#include <variant>
#include <vector>

#include "daemon/hook_events.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"
#include "plan/fault.hpp"
#include "plan/input_files.hpp"

namespace nightwell::daemon {

inline constexpr std::size_t most_hooks = 32, most_arguments = 32, longest_argument = 1000;

struct Hook {
  std::string name;                  // 1 to 40 of a-z, 0-9, - and _; no other hook has it
  std::vector<HookEvent> on;         // at least one, each once
  std::vector<std::string> run;      // the program, as an absolute path, and its arguments
  Duration within{};                 // real time; then it is ended
  std::vector<std::string> benches;  // by their own names; empty: all
};

// The hooks, or every fault that can be found at once. Whether the programs may be run is not looked at.
[[nodiscard]] std::variant<std::vector<Hook>, std::vector<plan::Fault>> read_hooks(const plan::FileText& file);

// The program behind a path, if it may be started: program/trusted_program.hpp.
[[nodiscard]] Result<std::filesystem::path> trusted_hook(const std::string& path);

// The same of all hooks, as faults of the file that names them.
[[nodiscard]] std::vector<plan::Fault> program_faults(const std::string& file, const std::vector<Hook>& hooks);

}  // namespace nightwell::daemon
