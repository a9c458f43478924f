// One file of a journal on disk: where its records stand, without reading it whole.
//
// Records are found by their numbers: a line begins with {"n":N, and numbers count on from line to line, so a place in the file is
// found by halving, some twenty short reads for a night's journal, with nothing kept in memory and nothing to bring up to date as
// the file grows.
//
// A line counts as a record here if it begins with {"n": and a number, and is printable ASCII, at most 64 KiB. Whether it fits into
// the chain is for whoever receives it to check.
// Errors: not_found, storage.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "journal/file.hpp"
#include "nightwell/result.hpp"

namespace nightwell::relay {

inline constexpr std::size_t longest_line = 64 * 1024 + 1;  // with LF

// `{"n":17,` -> 17; nullopt where the line (without LF) is no record.
[[nodiscard]] std::optional<std::uint64_t> record_number(std::string_view line);

class JournalPart {
 public:
  // Number 1 is journal.ndjson in the run's folder, 2 is journal-2.ndjson and so on.
  static Result<JournalPart> open(const std::filesystem::path& run_folder, int number);

  [[nodiscard]] int number() const { return number_; }
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

  // The file's bytes now. mismatch: another file stands under its name, or none.
  [[nodiscard]] Result<std::uint64_t> size() const;

  // Reads up to `room` bytes from `offset` on, as many as there are.
  [[nodiscard]] Result<std::size_t> read(std::uint64_t offset, char* into, std::size_t room) const;

  // The whole line that begins at `offset`, without LF; nullopt where there is none (yet), or it is no record.
  [[nodiscard]] Result<std::optional<std::string>> record_at(std::uint64_t offset) const;

  // Where record n begins; nullopt where this file does not hold it (yet).
  [[nodiscard]] Result<std::optional<std::uint64_t>> find(std::uint64_t n) const;

  // The last record of the file, and the first byte behind its line.
  struct Last {
    std::string line;
    std::uint64_t n = 0, end = 0;
  };
  [[nodiscard]] Result<std::optional<Last>> last() const;

 private:
  JournalPart(std::filesystem::path path, int number, journal::File file)
      : path_(std::move(path)), number_(number), file_(std::move(file)) {}
  [[nodiscard]] Result<std::optional<std::uint64_t>> line_behind(std::uint64_t offset, std::uint64_t end) const;
  [[nodiscard]] Result<std::optional<Last>> last_from(std::uint64_t offset, std::uint64_t end) const;

  std::filesystem::path path_;
  int number_;
  journal::File file_;
};

// The number of the first record in file `number` of the run; nullopt: there is no such file, or nothing carries on in it (its first
// line is unfinished or torn).
[[nodiscard]] Result<std::optional<std::uint64_t>> first_number(const std::filesystem::path& run_folder, int number);

}  // namespace nightwell::relay
