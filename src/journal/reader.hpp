// Reads journals: whole, record by record, or as they grow. Tolerant of a torn end only. Never writes.
//
// A journal is journal.ndjson and, where its writer had to change files, journal-2.ndjson and so on beside it: all functions take
// the first one and go on in the others by themselves.
//
// What each looks at:
//   verify   of every line: n, utc, up_s, kind and prev in their places, the JSON grammar (one object, printable ASCII, at most
//            16 deep, at most 64 KiB), n counting on, prev the hash of the line before, nothing behind the closing record but
//            its seal, and the seal's form and signature. Not: keys that stand twice, numbers that a double cannot hold, what
//            the fields mean.
//   read     all that, and no key twice in an object, and every number comes back the same when printed again.
//   Follower whole lines only: their length. It hands out bytes; whoever follows checks.
// Neither can see that the end of a journal without a seal was cut off at a line: keep the head hash elsewhere for that.
//
// A torn end is what a crash or a power cut may leave behind the last synced line: an unfinished line, or zeros in the place of
// whole sectors (from a line's begin or a multiple of 512 bytes to a multiple of 512 bytes or the end of the file), at most
// 1 MiB before the end of the file.
// Errors: not_found, storage, damaged (detail names line, byte offset and what is wrong).
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "journal/seal.hpp"
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
  std::uint64_t offset = 0;     // of the line's first byte in its file
};

// What a crash may leave behind the last whole line.
struct TornTail {
  std::uint64_t offset = 0;
  std::string bytes;
};

// What a checked journal holds.
struct Verification {
  std::uint64_t lines = 0;
  std::uint64_t bytes = 0;  // of the whole lines
  std::string head;         // hash of the last whole line; 64 zeros for an empty journal
  std::optional<TornTail> torn;
  bool closed = false;                // it has a closing record
  std::optional<std::string> ending;  // finished, stopped, parked; nullopt: no closing record, or it does not say
  std::optional<Seal> seal;
  bool has_seals = false;                    // of a format whose closing records are followed by a seal
  std::vector<std::filesystem::path> files;  // in order

  // Nothing is missing at the end.
  [[nodiscard]] bool whole() const { return closed && !torn && (seal || !has_seals); }
};

// For whoever reads a growing journal and judges it as verify() does.
// What stands in `path` from byte `offset` on, where a line begins that is no record, if that is a torn end; nullopt: it is damage.
Result<std::optional<TornTail>> torn_end(const std::filesystem::path& path, std::uint64_t offset);
struct Continuation {
  std::filesystem::path file;
  std::optional<std::uint64_t> from_n;  // nothing: its first line is damaged, and says so when it is read
};
// What carries on from file number `number` - 1 of the journal whose first file is `first`, if anything does: what that file holds
// from line from_n on is passed by. A file whose first line is unfinished or torn does not carry on: nothing in it was acknowledged.
Result<std::optional<Continuation>> continuation(const std::filesystem::path& first, int number);

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

// The checks of verify(), line by line, for whoever gets a journal's lines from elsewhere. A value that is fed every line from the
// first one on.
class LineCheck {
 public:
  explicit LineCheck(const std::filesystem::path& source);  // where the lines come from, for messages
  LineCheck(LineCheck&&) noexcept;
  LineCheck& operator=(LineCheck&&) noexcept;
  ~LineCheck();

  // The next line, without LF. After an error it stands where it stood before. Errors: damaged.
  Result<void> accept(std::string_view line);

  [[nodiscard]] std::uint64_t lines() const;  // accepted: what n the next one must have
  [[nodiscard]] std::uint64_t bytes() const;  // of them, with their LF
  [[nodiscard]] std::string head() const;     // hash of the last one; 64 zeros where there is none
  [[nodiscard]] bool closed() const;          // there was a closing record
  [[nodiscard]] bool complete() const;        // nothing may follow

 private:
  struct State;
  std::unique_ptr<State> state_;
};

// Parses one line (without LF). Checks that it is an object with the first keys and prev in their places.
Result<Record> parse_line(std::string_view line);

// Lower-case hex SHA-256.
[[nodiscard]] std::string sha256_hex(std::string_view bytes);

// How a second copy of a file stands beside it.
struct Comparison {
  std::uint64_t bytes = 0, copied_bytes = 0;
  // The first byte that differs, and its line (from 1); nothing: the copy is equal as far as it goes.
  std::optional<std::uint64_t> differs_at, differs_in_line;
  [[nodiscard]] bool equal() const { return !differs_at && bytes == copied_bytes; }
};
Result<Comparison> compare(const std::filesystem::path& file, const std::filesystem::path& copy);

// Gives the whole lines that a growing journal has gained since the last call, as exact bytes without LF, each line once.
class Follower {
 public:
  explicit Follower(std::filesystem::path path, std::uint64_t offset = 0)
      : path_(std::move(path)), first_(path_), offset_(offset) {}
  // Empty where nothing whole has come. At most `limit` lines a call.
  Result<std::vector<std::string>> next(std::size_t limit = 1000);
  // Where it stands: the file, and the next line's first byte in it.
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] std::uint64_t offset() const { return offset_; }

 private:
  std::filesystem::path path_, first_;
  int number_ = 1;
  std::uint64_t offset_ = 0, next_n_ = 0;
};

}  // namespace nightwell::journal
