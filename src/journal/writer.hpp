// Appends records to one journal file: one JSON object a line, chained by SHA-256, never rewritten.
//
// Format: docs/journal.md. Keys of every line, in this order: n, utc, up_s, kind, the record's own fields, prev.
// `prev` is the lower-case hex SHA-256 of the exact bytes of the line before, without its LF; 64 zeros on line 0.
// Errors: storage (create, write or sync failed: the writer is then dead, every later call gives the same error;
// nothing is retried), bad_input (a line would exceed 64 KiB, or a number is not finite; nothing was written).
// One writer a file, one thread.
#pragma once

#include <cstdint>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>

#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::journal {

inline constexpr std::size_t max_line_bytes = 64 * 1024;

struct Stamp {
  std::string utc;  // RFC 3339 with microseconds and Z: a label, decides nothing
  Instant up;
};

class Writer {
 public:
  // Creates the file (it must not exist) with mode 0640 and syncs its directory.
  static Result<Writer> create(const std::filesystem::path& path);

  Writer(Writer&&) noexcept;
  Writer& operator=(Writer&&) noexcept;
  ~Writer();

  // Writes one record with a single write(); gives its n. `fields` is a JSON object whose keys are none of
  // n, utc, up_s, kind, prev. Text in it may be any bytes: what is not printable is escaped, invalid UTF-8 is
  // replaced as docs/journal.md says.
  Result<std::uint64_t> append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp);

  // fdatasync; returns once every record appended so far is on disk.
  Result<void> sync();

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] std::uint64_t count() const { return next_; }       // records appended
  [[nodiscard]] const std::string& head() const { return head_; }  // hash of the last line, hex

 private:
  Writer(std::filesystem::path path, int fd);

  std::filesystem::path path_;
  int fd_ = -1;
  std::uint64_t next_ = 0;
  std::string head_;
  std::string failed_;  // the reason once the writer is dead
};

}  // namespace nightwell::journal
