// Keeps a run's digest up to date from its journal, a slice at a time, and checks the chain on the way.
//
// Reads through the journal room's Follower; writes nothing. Each line's number, and that its `prev` is the hash of the line before,
// are checked; what does not fit ends the reading for good, and `trouble` says why.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>

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

  // Nothing more can come: the journal is closed with its seal, or it is in trouble.
  [[nodiscard]] bool over() const { return over_ || trouble_.has_value(); }
  // Whether it has ever been read to where it ended.
  [[nodiscard]] bool caught_up() const { return caught_up_; }
  // Grows whenever there is something new to show.
  [[nodiscard]] std::uint64_t changes() const { return changes_; }
  [[nodiscard]] const std::string& id() const { return id_; }
  [[nodiscard]] const Digest& digest() const { return digester_.digest(); }
  // Looks at the file for its age; valid as long as this is.
  [[nodiscard]] RunView view(std::chrono::system_clock::time_point now) const;

 private:
  std::optional<std::string> take(const std::string& line);

  std::string id_;
  journal::Follower follower_;
  journal::Sha256 sha256_;
  journal::HexDigest head_ = journal::zero_digest();
  journal::SweepRecord sweep_;
  Digester digester_;
  std::uint64_t next_n_ = 0, changes_ = 0;
  bool has_seals_ = false, over_ = false, caught_up_ = false;
  std::optional<std::string> trouble_;
};

}  // namespace nightwell::relay
