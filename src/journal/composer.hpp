// Makes the exact lines of one journal, in order: numbers them, chains them, ends them, seals them. Writes nothing.
//
// Format: docs/journal.md. Keys of every line, in this order: n, utc, up_s, kind, the record's own fields, prev. `prev` is
// the lower-case hex SHA-256 of the exact bytes of the line before, without its LF; 64 zeros on line 0.
// Errors: bad_input (the record cannot be written as the format says: a line over 64 KiB, a number that is not finite,
// nesting deeper than 16, a key or stamp that is not allowed, anything after the closing record but one seal). Such a record
// leaves no trace, and the next one may be composed.
#pragma once

#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "journal/sha256.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::journal {

class SigningKey;

inline constexpr std::size_t max_line_bytes = 64 * 1024;  // without the LF

struct Stamp {
  std::string utc;  // RFC 3339 with microseconds and Z: a label, decides nothing
  Instant up;
};

class Composer {
 public:
  // `where` names the journal in errors.
  explicit Composer(std::string where) : where_(std::move(where)), head_(zero_digest()) {}

  // The next line with its LF; the view is valid until the next call. `fields` is a JSON object whose keys are none of n, utc,
  // up_s, kind, prev. Text in it may be any bytes: what is not printable is escaped, invalid UTF-8 is replaced as
  // docs/journal.md says. `kind` is 1 to 32 lower-case letters and underscores; stamp.up is not negative.
  Result<std::string_view> compose(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp);

  // The line behind the closing record: signed, or without a key saying that nobody signed it.
  Result<std::string_view> compose_seal(const SigningKey* key);

  // What was composed last is a line of the journal: the next one follows it.
  void accept();

  [[nodiscard]] std::uint64_t count() const { return next_; }  // lines accepted
  [[nodiscard]] const HexDigest& head() const { return head_; }

 private:
  enum class End { open, closed, sealed };

  [[nodiscard]] Error refused(std::string reason) const;
  std::optional<Error> write_line(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp);

  std::string where_;
  Sha256 sha256_;
  std::string line_;  // the one composed last; kept for its memory
  Stamp closing_;
  End end_ = End::open, end_then_ = End::open;  // now, and once the line is accepted
  std::uint64_t next_ = 0;
  HexDigest head_;
};

}  // namespace nightwell::journal
