// Where the daemon and the commands meet: the runtime folder (control socket) and the state folder (runs).
// The rule is that of docs/control.md; one copy of it, so that both sides always look in the same place.
//
// Pure: a function of what was given, the environment and the user's number; touches no file.
// Errors: bad_input (the state folder cannot be named: no option, no variable, no home).
#pragma once

#include <cstdlib>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>

#include "nightwell/result.hpp"

namespace nightwell {

// Looks up an environment variable. An empty variable counts as one that is not set.
using Environment = std::function<std::optional<std::string>(const char* variable)>;

[[nodiscard]] inline Environment process_environment() {
  return [](const char* variable) -> std::optional<std::string> {
    const char* value = std::getenv(variable);
    if (value == nullptr) return std::nullopt;
    return std::string(value);
  };
}

namespace folders_detail {

[[nodiscard]] inline std::optional<std::filesystem::path> named(const Environment& environment, const char* variable) {
  const auto value = environment(variable);
  if (!value || value->empty()) return std::nullopt;
  return std::filesystem::path(*value);
}

// The XDG Base Directory Specification: a relative path in such a variable is invalid and must be ignored.
[[nodiscard]] inline std::optional<std::filesystem::path> absolute(const Environment& environment,
                                                                   const char* variable) {
  auto path = named(environment, variable);
  if (path && path->is_absolute()) return path;
  return std::nullopt;
}

}  // namespace folders_detail

// `given` is the text of --runtime, empty if it was not given.
[[nodiscard]] inline std::filesystem::path runtime_folder(const std::filesystem::path& given,
                                                          const Environment& environment, unsigned user) {
  if (!given.empty()) return given;
  if (const auto own = folders_detail::named(environment, "NIGHTWELL_RUNTIME")) return *own;
  if (const auto xdg = folders_detail::absolute(environment, "XDG_RUNTIME_DIR")) return *xdg / "nightwell";
  if (user == 0) return "/run/nightwell";
  return "/tmp/nightwell-" + std::to_string(user);
}

// `given` is the text of --state, empty if it was not given.
[[nodiscard]] inline Result<std::filesystem::path> state_folder(const std::filesystem::path& given,
                                                                const Environment& environment, unsigned user) {
  if (!given.empty()) return given;
  if (auto own = folders_detail::named(environment, "NIGHTWELL_STATE")) return *own;
  if (auto xdg = folders_detail::absolute(environment, "XDG_STATE_HOME")) return *xdg / "nightwell";
  if (user == 0) return std::filesystem::path("/var/lib/nightwell");
  if (auto home = folders_detail::absolute(environment, "HOME")) return *home / ".local/state/nightwell";
  return Error{Errc::bad_input, "finding the state folder", "HOME is not set: give --state or NIGHTWELL_STATE", ""};
}

[[nodiscard]] inline std::filesystem::path control_socket(const std::filesystem::path& runtime) {
  return runtime / "control.sock";
}
[[nodiscard]] inline std::filesystem::path run_folder(const std::filesystem::path& state, const std::string& run) {
  return state / "runs" / run;
}
[[nodiscard]] inline std::filesystem::path run_journal(const std::filesystem::path& state, const std::string& run) {
  return run_folder(state, run) / "journal.ndjson";
}

}  // namespace nightwell
