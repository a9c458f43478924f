// The state folder: a folder a run, `runs/RUN`, with its journal.
//
// Errors: storage (a folder cannot be made or read). A run whose journal has no closing record and that no daemon of
// this state folder carries "ended without closing": it is listed as that and never continued.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "journal/stored_runs.hpp"
#include "nightwell/result.hpp"

namespace nightwell::daemon {

class RunStore {
 public:
  // Makes STATE/runs and takes a lock, so that one daemon serves a state folder; refused if another one does. `second`: where
  // journals go on whose own disk failed, in a folder a run.
  static Result<RunStore> open(const std::filesystem::path& state,
                               std::optional<std::filesystem::path> second = std::nullopt);
  RunStore(RunStore&& other) noexcept;
  RunStore& operator=(RunStore&& other) = delete;
  ~RunStore();

  // A new folder under an id made of the profile's name and the time: [a-z0-9][a-z0-9-]{0,62}.
  Result<std::string> make(const std::string& profile, const std::string& utc);
  [[nodiscard]] std::filesystem::path folder(const std::string& run) const;

  // Whether this is the first time that somebody is told of this run's missing end; noted in its folder.
  [[nodiscard]] bool first_told(const std::string& run) const;

  // All runs, oldest first.
  [[nodiscard]] std::vector<journal::StoredRun> list() const;

  [[nodiscard]] const std::filesystem::path& state() const { return state_; }

 private:
  RunStore(std::filesystem::path state, std::optional<std::filesystem::path> second, int lock)
      : state_(std::move(state)), second_(std::move(second)), lock_(lock) {}

  std::filesystem::path state_;
  std::optional<std::filesystem::path> second_;
  int lock_ = -1;
};

// "Cold store, −25…60" and 2026-11-25T20:15:00.000000Z -> "cold-store-25-60-20261125-201500".
[[nodiscard]] std::string run_id(const std::string& profile, const std::string& utc);

}  // namespace nightwell::daemon
