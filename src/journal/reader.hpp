// Reads journals: whole, record by record, or as they grow. Tolerant of a torn last line only. Never writes.
//
// What each looks at:
//   verify   of every line: n, utc, up_s, kind and prev in their places, the JSON grammar (one object,
//   printable ASCII,
//            at most 16 deep, at most 64 KiB), n counting on, prev the hash of the line before, nothing
//            behind the closing record. Not: keys that stand twice, numbers that a double cannot hold, what
//            the fields mean.
//   read     all that, and no key twice in an object, and every number comes back the same when printed
//   again. Follower whole lines only: their length. It hands out bytes; whoever follows checks.
// Neither can see that the end of a file was cut off at a line, or that the last line was changed in a way
// that is still a record: keep the head hash elsewhere for that. Errors: not_found, storage, damaged (detail
// names line, byte offset and what is wrong).
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "journal/sweep_record.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::journal {

struct Record {
  std::uint64_t n = 0;
  std::string utc;
  Instant up;
  std::string kind;
  nlohmann::ordered_json body;  // the whole object, first keys and prev included
  std::uint64_t offset = 0;     // of the line's first byte in the file
};

// What a crash may leave behind the last whole line.
struct TornTail {
  std::uint64_t offset = 0;
  std::string bytes;
};

// What a checked file holds.
struct Verification {
  std::uint64_t lines = 0;
  std::uint64_t bytes = 0;  // of the whole lines
  std::string head;         // hash of the last whole line; 64 zeros for an empty journal
  std::optional<TornTail> torn;
  std::optional<std::string> ending;  // finished, stopped, parked; nullopt: the journal has no closing record
};

// Calls `visit` for each record in order, checking structure, n and chain on the way; stops at the first
// damage.
Result<Verification> read(const std::filesystem::path& path, const std::function<void(const Record&)>& visit);

// The same, for whoever goes through whole nights: sweeps of the usual shape come to `visit_sweep` as numbers, several times
// faster; all other records to `visit`, sweeps of any other shape among them. Same checks, same order. What a visitor is given
// is valid during the call.
Result<Verification> read(const std::filesystem::path& path, const std::function<void(const Record&)>& visit,
                          const std::function<void(const SweepRecord&)>& visit_sweep);

// The same check without building the records; see above for what it leaves out.
Result<Verification> verify(const std::filesystem::path& path);

// Parses one line (without LF). Checks that it is an object with the first keys and prev in their places.
Result<Record> parse_line(std::string_view line);

// Lower-case hex SHA-256.
[[nodiscard]] std::string sha256_hex(std::string_view bytes);

// Gives the whole lines that a growing file has gained since the last call, as exact bytes without LF.
class Follower {
 public:
  explicit Follower(std::filesystem::path path, std::uint64_t offset = 0);
  // Empty where nothing whole has come. At most `limit` lines a call.
  Result<std::vector<std::string>> next(std::size_t limit = 1000);
  [[nodiscard]] std::uint64_t offset() const { return offset_; }

 private:
  std::filesystem::path path_;
  std::uint64_t offset_ = 0;
};

}  // namespace nightwell::journal
