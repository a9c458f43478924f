// Keeps a run's digest up to date from its journal, a slice at a time, and checks the chain on the way.
//
// Writes nothing. Each line's number, and that its `prev` is the hash of the line before, are checked; what does not fit is damage,
// which ends the reading for good. A file that is not there, or cannot be read, may be there again: it is tried at each call. The
// view's `trouble` says why nothing is read. A torn end is nothing but a place where nothing more has come; what is torn and what is
// damaged, and where the next file of a journal in several carries on, is judged as `nightwell verify` does (journal/reader.hpp).
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "journal/reader.hpp"
#include "journal/sha256.hpp"
#include "relay/digest.hpp"
#include "relay/run_view.hpp"

namespace nightwell::relay {

class RunFeed {
 public:
  RunFeed(std::string id, const std::filesystem::path& journal);

  // Reads at most so many further lines. How many it was; fewer: there are no more now.
  std::size_t read(std::size_t lines);

  // Nothing more can come: the journal is closed with its seal, or it is damaged.
  [[nodiscard]] bool over() const { return over_ || damaged_; }
  // Whether it has ever been read to where it ended.
  [[nodiscard]] bool caught_up() const { return caught_up_; }
  // Grows whenever there is something new to show.
  [[nodiscard]] std::uint64_t changes() const { return changes_; }
  [[nodiscard]] const std::string& id() const { return id_; }
  [[nodiscard]] const Digest& digest() const { return digester_.digest(); }
  // Looks at the file for its age, and keeps what it saw for when it cannot look; valid as long as this is.
  [[nodiscard]] RunView view(std::chrono::system_clock::time_point now) const;

 private:
  // Of the file that is read now, when it was last seen.
  struct Seen {
    std::chrono::system_clock::time_point changed{};
    std::uint64_t bytes = 0;
  };

  [[nodiscard]] Result<std::size_t> read_on(std::size_t lines);
  [[nodiscard]] Result<std::size_t> read_file(std::size_t lines, const std::optional<journal::Continuation>& next);
  [[nodiscard]] std::optional<std::string> take(std::string_view line);
  [[nodiscard]] Error damaged(const std::string& what) const;

  std::string id_;
  std::filesystem::path first_, path_;  // of the journal's files, and the one that is read now
  int number_ = 1;                      // of that one
  std::uint64_t offset_ = 0;            // of the next line in it
  journal::Sha256 sha256_;
  journal::HexDigest head_ = journal::zero_digest();
  journal::SweepRecord sweep_;
  Digester digester_;
  std::uint64_t next_n_ = 0, changes_ = 0;
  std::uint64_t again_ = 0;  // so many lines come that the file before had, too, and were taken from there
  bool has_seals_ = false, over_ = false, damaged_ = false, caught_up_ = false;
  std::optional<std::string> trouble_;
  mutable Seen seen_;
};

}  // namespace nightwell::relay
