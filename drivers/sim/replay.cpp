#include "drivers/sim/replay.hpp"

#include <algorithm>
#include <utility>

namespace nightwell::sim {

namespace {

constexpr std::size_t flood_bytes = 256 * 1024;
constexpr std::size_t longest_message = 64 * 1024;

}  // namespace

Replay::Replay(std::string name, const wire_log::WireLog& written, Log log)
    : name_(std::move(name)), log_(std::move(log)) {
  std::vector<Outgoing>* answer = &outgoing_;
  double after_s = 0;
  const auto say = [&](std::string bytes, std::optional<bool> plugged_in) {
    answer->push_back(Outgoing{std::move(bytes), after_s, plugged_in});
  };
  for (const wire_log::Step& step : written.steps) {
    using wire_log::Mark;
    if (step.mark == Mark::lost || step.mark == Mark::ended) break;
    if (step.mark == Mark::wait) after_s += static_cast<double>(step.wait.count()) / 1000;
    if (step.mark == Mark::received) say(step.text, std::nullopt);
    if (step.mark == Mark::flood) say(std::string(flood_bytes, 'x'), std::nullopt);
    if (step.mark == Mark::unplugged) say("", false);
    if (step.mark == Mark::plugged) say("", true);
    if (step.mark != Mark::sent || step.text.empty()) continue;
    if (entries_.empty()) message_end_ = step.text.back();
    if (message_end_ != step.text.back()) message_end_.reset();
    entries_.push_back(Entry{step.text, {}});
    answer = &entries_.back().answer;
    after_s = 0;
  }
}

void Replay::receive(std::string_view bytes, double now_s) {
  heard_ += bytes;
  while (!heard_.empty()) {
    if (const Entry* entry = find_next()) {
      heard_.erase(0, entry->message.size());
      answer(*entry, now_s);
      continue;
    }
    if (may_go_on()) return;
    const std::size_t end = end_of_unknown();
    if (end == 0) return;
    log_(Exchange{now_s, heard_.substr(0, end), "", "not in the log"});
    heard_.erase(0, end);
  }
}

const Replay::Entry* Replay::find_next() {
  for (std::size_t i = 0; i < entries_.size(); ++i) {
    const std::size_t at = (next_ + i) % entries_.size();
    if (!heard_.starts_with(entries_[at].message)) continue;
    next_ = at + 1;
    return &entries_[at];
  }
  return nullptr;
}

bool Replay::may_go_on() const {
  return std::any_of(entries_.begin(), entries_.end(),
                     [this](const Entry& entry) { return entry.message.starts_with(heard_); });
}

// 0: its end is still to come. Where messages have no end in common (frames), all that was heard is one.
std::size_t Replay::end_of_unknown() const {
  if (!message_end_ || heard_.size() > longest_message) return heard_.size();
  const std::size_t end = heard_.find(*message_end_);
  return end == std::string::npos ? 0 : end + 1;
}

void Replay::answer(const Entry& entry, double now_s) {
  std::string said;
  for (const Outgoing& part : entry.answer) {
    said += part.bytes.size() < flood_bytes ? part.bytes : std::string("(a flood)");
    outgoing_.push_back(part);
  }
  log_(Exchange{now_s, entry.message, std::move(said), ""});
}

}  // namespace nightwell::sim
