#include "relay/board.hpp"

#include <algorithm>

#include "journal/look.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

namespace {

// Of a journal that has its first record.
std::optional<journal::Record> first_record(const std::filesystem::path& journal) {
  const auto lines = journal::Follower(journal).next(1);
  if (!lines || lines->empty()) return std::nullopt;
  auto record = journal::parse_line(lines->front());
  if (!record || record->kind != "opening") return std::nullopt;
  return std::move(record).value();
}

}  // namespace

std::filesystem::path Board::journal(const std::string& id) const {
  return runs_folder_ / id / "journal.ndjson";
}

RunFeed& Board::feed(const std::string& id) {
  auto& held = feeds_[id];
  if (!held) held = std::make_unique<RunFeed>(id, journal(id));
  return *held;
}

std::optional<std::set<std::string>> Board::run_folders() {
  std::set<std::string> out;
  std::error_code error;
  for (std::filesystem::directory_iterator entry(runs_folder_, error), end; !error && entry != end;
       entry.increment(error))
    if (std::string id = entry->path().filename().string(); remote::is_run_id(id)) out.insert(std::move(id));
  trouble_.reset();
  if (!error) return out;
  trouble_ = error.message();
  return std::nullopt;
}

bool Board::learn(const std::string& id) {
  const auto opening = first_record(journal(id));
  if (opening) known_[id] = {opening->utc, journal::raw_text_at(opening->body, "bench")};
  return opening.has_value();
}

bool Board::look(std::size_t runs, Time now) {
  const auto here = run_folders();
  if (!here) {
    choose(now);
    return false;
  }
  const auto gone = [&](const std::string& id) { return !here->contains(id); };
  std::erase_if(known_, [&](const auto& run) { return gone(run.first); });
  std::erase_if(feeds_, [&](const auto& run) { return gone(run.first); });
  std::erase_if(looked_at_, [&](const auto& run) { return gone(run.first); });
  std::erase_if(unread_, gone);
  const std::size_t again = std::min(unread_.size(), runs);
  bool more = false;
  for (const std::string& id : *here) {
    if (known_.contains(id) || unread_.contains(id)) continue;
    more = runs == 0;
    if (more) break;
    --runs;
    if (!learn(id)) unread_.insert(id);
  }
  // Those of earlier calls, after the new ones, so that they keep nobody waiting; the last tried goes to the end of the line.
  for (std::size_t i = 0; i < again && !more && !unread_.empty(); ++i) {
    const auto next = unread_.upper_bound(tried_last_);
    const std::string id = next == unread_.end() ? *unread_.begin() : *next;
    tried_last_ = id;
    if (learn(id)) unread_.erase(id);
  }
  choose(now);
  return more;
}

std::vector<std::string> Board::newest_first() const {
  std::vector<std::string> out;
  out.reserve(known_.size());
  for (const auto& [id, run] : known_) out.push_back(id);
  std::stable_sort(out.begin(), out.end(), [&](const std::string& a, const std::string& b) {
    return known_.at(a).opened_utc > known_.at(b).opened_utc;
  });
  return out;
}

// Which are kept up to date.
void Board::choose(Time now) {
  benches_.clear();
  std::set<std::string> seen;
  for (const std::string& id : newest_first())
    if (benches_.size() < most_benches && seen.insert(known_.at(id).bench).second) benches_.push_back(id);
  std::erase_if(looked_at_, [&](const auto& run) { return now - run.second > kept; });
  while (looked_at_.size() > most_looked_at)
    looked_at_.erase(std::min_element(looked_at_.begin(), looked_at_.end(),
                                      [](const auto& a, const auto& b) { return a.second < b.second; }));
  std::erase_if(feeds_, [&](const auto& run) {
    return !looked_at_.contains(run.first) && std::find(benches_.begin(), benches_.end(), run.first) == benches_.end();
  });
  for (const std::string& id : benches_) feed(id);
}

// One journal that is behind gets all of it: reading in small bites costs more than the bites.
bool Board::read(std::size_t lines) {
  bool more = false;
  for (const auto& [id, run] : feeds_) {
    if (run->over() || (!run->caught_up() && more)) continue;
    if (run->read(lines) == lines) more = true;
  }
  return more;
}

std::vector<const RunFeed*> Board::benches() const {
  std::vector<const RunFeed*> out;
  for (const std::string& id : benches_)
    if (const auto found = feeds_.find(id); found != feeds_.end()) out.push_back(found->second.get());
  return out;
}

std::vector<std::string> Board::others() const {
  std::vector<std::string> out;
  for (const std::string& id : newest_first())
    if (out.size() < most_others && std::find(benches_.begin(), benches_.end(), id) == benches_.end())
      out.push_back(id);
  return out;
}

const RunFeed* Board::find(const std::string& id, Time now) {
  if (!known_.contains(id)) return nullptr;
  if (std::find(benches_.begin(), benches_.end(), id) == benches_.end()) looked_at_[id] = now;
  RunFeed& found = feed(id);
  if (found.digest().records == 0) found.read(first_lines);
  return &found;
}

const RunFeed* Board::newest(Time now) {
  return benches_.empty() ? nullptr : find(benches_.front(), now);
}

}  // namespace nightwell::relay
