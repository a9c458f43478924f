// Appends records to one journal file: one JSON object a line, chained by SHA-256, never rewritten.
//
// Format: docs/journal.md. Keys of every line, in this order: n, utc, up_s, kind, the record's own fields,
// prev. `prev` is the lower-case hex SHA-256 of the exact bytes of the line before, without its LF; 64 zeros
// on line 0. Errors: storage (create, write or sync failed: the writer is then dead, every later call gives
// the same error; nothing is retried, and the file may end in a torn line), bad_input (the record cannot be
// written as the format says: a line over 64 KiB, a number that is not finite, nesting deeper than 16, a key
// or stamp that is not allowed, anything after the closing record; nothing was written and the writer lives
// on). One writer a file, one thread. The process must ignore SIGXFSZ where a file size limit is set, or that
// signal ends it before the error is seen.
#pragma once

#include <cstdint>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "journal/file.hpp"
#include "journal/sha256.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::journal {

inline constexpr std::size_t max_line_bytes = 64 * 1024;  // without the LF

struct Stamp {
  std::string utc;  // RFC 3339 with microseconds and Z: a label, decides nothing
  Instant up;
};

class Writer {
 public:
  // Creates the file (it must not exist) with mode 0640 and syncs its directory. Leaves no file where it
  // fails.
  static Result<Writer> create(const std::filesystem::path& path);

  // Writes one record with a single write(); gives its n. `fields` is a JSON object whose keys are none of
  // n, utc, up_s, kind, prev. Text in it may be any bytes: what is not printable is escaped, invalid UTF-8 is
  // replaced as docs/journal.md says. `kind` is 1 to 32 lower-case letters and underscores; stamp.up is not
  // negative.
  Result<std::uint64_t> append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp);

  // fdatasync; returns once every record appended so far is on disk.
  Result<void> sync();

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] std::uint64_t count() const { return next_; }      // records appended
  [[nodiscard]] const std::string& head() const { return head_; }  // hash of the last line, hex

 private:
  Writer(std::filesystem::path path, File file);
  [[nodiscard]] std::optional<Error> compose(std::string_view kind, const nlohmann::ordered_json& fields,
                                             const Stamp& stamp);
  Error die(const char* doing, const std::string& reason);

  std::filesystem::path path_;
  File file_;
  Sha256 sha256_;
  std::string line_;  // the one being written; kept for its memory
  std::uint64_t next_ = 0;
  std::string head_;
  bool closed_ = false;          // the closing record is written
  std::optional<Error> failed_;  // the reason once the writer is dead
};

}  // namespace nightwell::journal
