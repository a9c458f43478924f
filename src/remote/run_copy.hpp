// A follower's own copy of a run: FOLDER/RUN/journal.ndjson, the journal's exact bytes, and FOLDER/RUN/heads.ndjson, every line
// "head" that a relay sent.
//
// Only lines that were checked are appended; nothing is ever rewritten. What an earlier copy holds is checked from its first line on;
// an unfinished line at its end is cut off, anything else that is wrong is an error and stays as it is. One program at a time keeps a
// copy. Errors: storage (also where another program keeps it), damaged.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <string>
#include <string_view>

#include "journal/file.hpp"
#include "journal/reader.hpp"
#include "nightwell/result.hpp"

namespace nightwell::remote {

class RunCopy {
 public:
  [[nodiscard]] static std::filesystem::path journal_in(const std::filesystem::path& folder, const std::string& run) {
    return folder / run / "journal.ndjson";
  }

  // `run` is a run's id (is_run_id). Makes folders and files where they are not. `visit` gets every line that is there already.
  static Result<RunCopy> open(const std::filesystem::path& folder, const std::string& run,
                              const std::function<void(std::string_view)>& visit);

  // What is there, as far as it was found at the start. Taken once.
  [[nodiscard]] journal::LineCheck take_check() { return std::move(check_); }
  // Bytes of an unfinished line that was cut off at the start.
  [[nodiscard]] std::uint64_t cut() const { return cut_; }
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

  // Lines without LF. Kept in memory until write().
  void append(std::string_view line);
  void append_head(std::string_view line);
  // To the files; true where there is something that sync() has not yet put on disk.
  Result<bool> write();
  // The journal first: the disk never has a head of records that it does not have. An error too where the files no longer stand
  // under their names, whether there was anything to sync or not.
  Result<void> sync();

 private:
  RunCopy(std::filesystem::path path, journal::File journal, journal::File heads)
      : path_(std::move(path)), journal_(std::move(journal)), heads_(std::move(heads)), check_(path_) {}

  std::filesystem::path path_;
  journal::File journal_, heads_;
  journal::LineCheck check_;
  std::string waiting_, waiting_heads_;
  std::uint64_t cut_ = 0;
  bool unsynced_ = false;
};

}  // namespace nightwell::remote
