// Which runs the page and the metrics show, and their digests: the newest run of each bench, and those that somebody looks at.
//
// Bounded: at most `most_benches` benches, `most_looked_at` further runs. A call reads at most as much as it is told, so that whoever
// shares the thread does not wait. Writes nothing. Runs that cannot be read are shown with what is wrong, or not at all where not
// even their first record can be read. Where the folder itself cannot be read, what is known of its runs is kept, and `trouble` says
// why.
#pragma once

#include <chrono>
#include <cstddef>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "relay/run_feed.hpp"

namespace nightwell::relay {

class Board {
 public:
  using Time = std::chrono::steady_clock::time_point;
  static constexpr std::size_t most_benches = 16, most_looked_at = 40, most_others = 20, first_lines = 500;
  static constexpr std::chrono::minutes kept{10};  // after the last look

  explicit Board(std::filesystem::path runs_folder) : runs_folder_(std::move(runs_folder)) {}

  // Looks for runs that have come or gone. Reads the first record of at most `runs` new ones; true: there are more. One that has none
  // yet is looked at again by a later call.
  bool look(std::size_t runs, Time now);
  // Reads on: at most so many lines of what is new in each, and of one of those that are far behind. True: there may be more.
  bool read(std::size_t lines);

  // Why the runs folder cannot be read, by the last look.
  [[nodiscard]] const std::optional<std::string>& trouble() const { return trouble_; }
  // The newest run of each bench, newest first.
  [[nodiscard]] std::vector<const RunFeed*> benches() const;
  // The names of further runs, newest first, at most most_others.
  [[nodiscard]] std::vector<std::string> others() const;
  // A run that somebody looks at, from now on kept up to date for a while; nullptr where there is none of this name. A first look
  // reads at most `first_lines` of it at once.
  const RunFeed* find(const std::string& id, Time now);
  // The same for the run that was opened last.
  const RunFeed* newest(Time now);

 private:
  struct Known {
    std::string opened_utc, bench;
  };

  [[nodiscard]] std::optional<std::set<std::string>> run_folders();
  bool learn(const std::string& id);
  void choose(Time now);
  RunFeed& feed(const std::string& id);
  [[nodiscard]] std::filesystem::path journal(const std::string& id) const;
  [[nodiscard]] std::vector<std::string> newest_first() const;

  std::filesystem::path runs_folder_;
  std::map<std::string, Known> known_;
  std::set<std::string> unread_;  // there, but their first record could not be read yet
  std::string tried_last_;
  std::optional<std::string> trouble_;
  std::map<std::string, std::unique_ptr<RunFeed>> feeds_;
  std::vector<std::string> benches_;  // ids
  std::map<std::string, Time> looked_at_;
};

}  // namespace nightwell::relay
