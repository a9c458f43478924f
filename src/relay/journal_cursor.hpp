// A place in a run's journal, whichever of its files that is in: hands out the whole lines behind it, as they stand in the file.
//
// Reads with pread into a buffer that the caller lends; parses nothing but each line's number. Looks again each time it is asked, so
// the journal may grow. Of the chain it checks where one read follows the other: that the first line's `prev` is the hash of the line
// that was handed out last. So a file that was cut and written on, or swapped for another, is told at once; what stands within one
// read is for the follower to check, who does that anyway.
// Journals in several files: docs/journal.md.
// Errors: not_found (no such run), out_of_range (no such record), mismatch (the file is not the one that it was, or `prev` is not what
// it has), damaged (no journal of ours), storage. After one the cursor is of no more use.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "journal/sha256.hpp"
#include "nightwell/result.hpp"
#include "relay/journal_part.hpp"

namespace nightwell::relay {

// Room for one read, held only while there is something to send.
class LineBuffer {
 public:
  static constexpr std::size_t bytes = longest_line;
  char* data() {
    if (!bytes_) bytes_.reset(new char[bytes]);  // not zeroed
    return bytes_.get();
  }
  void give_back() { bytes_.reset(); }

 private:
  std::unique_ptr<char[]> bytes_;
};

class JournalCursor {
 public:
  // Before record `from`. `prev`: the hash of record from - 1 as the follower has it.
  static Result<JournalCursor> open(const std::filesystem::path& run_folder, std::uint64_t from,
                                    const std::optional<std::string>& prev, journal::Sha256& sha256);

  // Whole lines with their LFs, in `buffer`; empty where nothing has come.
  Result<std::string_view> next(LineBuffer& buffer, journal::Sha256& sha256);

  // The number of the record that comes next, and the hash of the one before (64 zeros before the first).
  [[nodiscard]] std::uint64_t next_n() const { return next_n_; }
  [[nodiscard]] std::string_view head() const { return journal::view(head_); }
  // How many lines the last call handed out.
  [[nodiscard]] std::uint64_t lines() const { return lines_; }
  // The line that was handed out last closes the journal: nothing follows.
  [[nodiscard]] bool closed() const { return closed_; }
  // Bytes of the file that were not handed out, when it was last looked at.
  [[nodiscard]] std::uint64_t behind() const { return behind_; }

 private:
  JournalCursor(std::filesystem::path run_folder, JournalPart part, bool has_seals)
      : run_folder_(std::move(run_folder)), part_(std::move(part)), has_seals_(has_seals) {}

  Result<void> go_to(std::uint64_t n, journal::Sha256& sha256);
  Result<void> look_for_next_part();
  Result<bool> enter_next_part(journal::Sha256& sha256);
  Result<std::string_view> read_lines(LineBuffer& buffer, journal::Sha256& sha256);
  [[nodiscard]] std::size_t count_lines(std::string_view bytes, std::string_view& last);
  [[nodiscard]] Error damaged(const std::string& what) const;
  [[nodiscard]] bool follows(std::string_view line) const;
  void learn(std::string_view line, journal::Sha256& sha256);

  std::filesystem::path run_folder_;
  JournalPart part_;
  std::optional<std::uint64_t>
      until_;  // the next file carries on from here: what this one holds from there on is passed by
  std::uint64_t offset_ = 0, next_n_ = 0, lines_ = 0, behind_ = 0;
  journal::HexDigest head_ = journal::zero_digest();
  bool has_seals_, handed_out_ = false, closed_ = false;
};

}  // namespace nightwell::relay
