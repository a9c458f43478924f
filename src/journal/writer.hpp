// Appends records to one journal file, one at a time, in the caller's thread: for journals that nothing waits for. A run's
// journal is written by journal.hpp.
//
// Errors: storage (create, write or sync failed: the writer is then dead, every later call gives the same error; nothing is
// retried, and the file may end in a torn line), bad_input (see composer.hpp; nothing was written and the writer lives on).
// One writer a file, one thread. The process must ignore SIGXFSZ where a file size limit is set, or that signal ends it before
// the error is seen.
#pragma once

#include <cstdint>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>

#include "journal/composer.hpp"
#include "journal/segment.hpp"
#include "nightwell/result.hpp"

namespace nightwell::journal {

class Writer {
 public:
  // Creates the file (it must not exist) with mode 0640 and syncs its folder. Leaves no file where it fails.
  static Result<Writer> create(const std::filesystem::path& path);

  // Writes one record with a single write(); gives its n.
  Result<std::uint64_t> append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp);

  // The line behind the closing record; null: nobody signs.
  Result<std::uint64_t> seal(const SigningKey* key);

  // Returns once every record appended so far is on disk.
  Result<void> sync() { return segment_.sync(); }

  [[nodiscard]] const std::filesystem::path& path() const { return segment_.path(); }
  [[nodiscard]] std::uint64_t count() const { return composer_.count(); }                 // records appended
  [[nodiscard]] std::string head() const { return std::string(view(composer_.head())); }  // hash of the last line, hex

 private:
  explicit Writer(Segment segment) : composer_(segment.path().string()), segment_(std::move(segment)) {}
  Result<std::uint64_t> write(const Result<std::string_view>& line);

  Composer composer_;
  Segment segment_;
};

}  // namespace nightwell::journal
