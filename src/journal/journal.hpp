// A run's journal: lines are composed in the caller's thread and put on disk by a thread of their own, many at a time.
//
// What is on disk when:
//   - a record that something waits for (commit): its waiter is called once it, and all before it, are synced;
//   - every other record: synced 1 s after it came at the latest (`latest_sync`).
// A failure is final for the file it happened in. The journal goes on in a new file, `journal-2.ndjson` and so on, in the second
// folder where there is one, else in its own: all lines that were not yet synced stand in it again, the same bytes, so that the
// chain runs on. Where no new file can be made either, the journal is lost: every waiter and every later call gets the error.
// Room for the planned night is reserved when the file is made; a small part of it is kept for the end (`closing_room_bytes`):
// space_out says that only that part is left.
//
// Threads: append, commit and end from one thread. Waiters are called on the journal's thread; they hand over and return. No
// waiter is called once the journal is destroyed.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "journal/composer.hpp"
#include "journal/file_system.hpp"
#include "journal/seal.hpp"
#include "nightwell/result.hpp"

namespace nightwell::journal {

inline constexpr std::uint64_t closing_room_bytes = 1024 * 1024;
// What a power cut may take at most: readers count on it.
inline constexpr std::uint64_t most_unsynced_bytes = 1024 * 1024;

struct JournalSettings {
  std::filesystem::path file;                          // in a folder that exists; must not exist itself
  std::optional<std::filesystem::path> second_folder;  // on another disk, at best; made when it is needed
  std::uint64_t planned_bytes = 0;                     // of the night, for the reservation
  std::chrono::milliseconds latest_sync{1000};
  std::uint64_t most_waiting_bytes = 64 * 1024 * 1024;  // lines not on disk that are kept; more: the journal is lost
  std::shared_ptr<const SigningKey> key;                // null: nobody signs
  std::chrono::milliseconds patience{2000};             // of the destructor, with a disk that hangs
};

// What this writer writes, as the opening says it; readers know "nightwell-journal/1" too, which has no seals.
inline constexpr const char* format_name = "nightwell-journal/2";

// What a person should know of the disk, once each.
struct JournalNews {
  enum class What { moved, space_low, space_out, slow, unreserved, copy_behind, copy_caught_up };
  What what = What::moved;
  std::string text;
};

// The enumerator's own name.
[[nodiscard]] std::string_view name(JournalNews::What what);

// How the disk has done since it was last asked: for people who watch it.
struct JournalFigures {
  std::uint64_t syncs = 0;                                 // fdatasyncs that succeeded
  std::chrono::steady_clock::duration total{}, largest{};  // of them
  std::uint64_t most_queued = 0;                           // lines that were not on disk, at the worst moment
  std::optional<std::uint64_t> copy_behind_bytes;          // now; nullopt: there is no second folder
};

class Journal {
 public:
  using Waiter = std::function<void(const Result<void>&)>;

  explicit Journal(JournalSettings settings, std::shared_ptr<FileSystem> files = real_file_system());
  Journal(const Journal&) = delete;
  Journal& operator=(const Journal&) = delete;
  // Ends as end() does, and waits `patience` for it; a disk that hangs longer keeps its thread, and nobody waits for it.
  ~Journal();

  // Takes one record; gives its n, and in `line` its bytes with their LF. Behind the closing record the seal follows by itself.
  // Errors: bad_input (composer.hpp), storage (the journal is lost).
  Result<std::uint64_t> append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp,
                               std::string* line = nullptr);

  // `waiter` is told, once, when all that was taken so far is on disk, or why it cannot be.
  void commit(Waiter waiter);

  // Nothing more comes: what is here goes to disk, unused room is given back, the file is closed.
  void end();
  [[nodiscard]] bool ended() const;

  // For how long the oldest line that is not on disk has waited.
  [[nodiscard]] std::chrono::steady_clock::duration waiting() const;
  [[nodiscard]] std::vector<JournalNews> take_news();
  // Counting starts anew.
  [[nodiscard]] JournalFigures take_figures();

 private:
  struct Shared;
  class Thread;

  void put(std::string_view line);

  Composer composer_;
  std::shared_ptr<const SigningKey> key_;
  std::shared_ptr<Shared> shared_;
};

// journal.ndjson -> journal-2.ndjson, journal-3.ndjson …; `number` from 2.
[[nodiscard]] std::filesystem::path continuation_name(const std::filesystem::path& file, int number);

}  // namespace nightwell::journal
