#include "remote/following.hpp"

#include <algorithm>
#include <utility>

#include "journal/frame.hpp"

namespace nightwell::remote {

namespace {

constexpr std::size_t most_told = 20;  // reasons while the line is down

std::string seconds_text(Duration duration) {
  return std::to_string(std::chrono::duration_cast<std::chrono::seconds>(duration).count()) + " s";
}

Outcome outcome_of(Refusal code) {
  switch (code) {
    case Refusal::changed: return Outcome::changed;
    case Refusal::damaged: return Outcome::damaged;
    default: return Outcome::refused;
  }
}

// The relay may be able to do later what it cannot now.
bool passing(Refusal code) {
  return code == Refusal::full || code == Refusal::storage;
}

}  // namespace

Following::Following(Wanted wanted) : wanted_(std::move(wanted)), check_("the relay"), random_(wanted_.seed) {}

void Following::carry_on(journal::LineCheck check) {
  check_ = std::move(check);
  if (state_ != State::connected || check_.lines() == 0) return;
  // The relay began at another record: asked for again, from the right one.
  state_ = State::waiting;
  next_try_ = heard_;
}

std::string Following::request() const {
  JournalRequest out;
  out.run = wanted_.run;
  out.on = wanted_.follow;
  out.from = check_.lines();
  if (out.from > 0) out.prev = check_.head();
  return print(Request(out));
}

void Following::connected(Instant now) {
  state_ = State::connected;
  heard_ = now;
  greeted_ = false;
  buffer_.clear();
  used_ = 0;
}

Happenings Following::bytes(std::string_view bytes, Instant now) {
  Happenings out;
  if (state_ != State::connected) return out;
  buffer_.erase(0, std::exchange(used_, 0));
  std::size_t searched = buffer_.size();
  buffer_ += bytes;
  if (!bytes.empty()) heard_ = now;
  if (bytes.empty()) searched = 0;  // what was left behind a hello
  while (state_ == State::connected) {
    const std::size_t lf = buffer_.find('\n', std::max(searched, used_));
    if (lf == std::string::npos) {
      if (buffer_.size() - used_ > longest_record) garbled("a line longer than 64 KiB", now, out);
      return out;
    }
    const std::string_view line = std::string_view(buffer_).substr(used_, lf - used_);
    used_ = lf + 1;
    if (is_record(line))
      take_record(line, now, out);
    else if (is_relay_line(line))
      take_own(line, now, out);
    else
      garbled("a line that is neither a record nor the relay's own", now, out);
    if (!out.empty() && std::holds_alternative<Opened>(out.back())) return out;
  }
  return out;
}

void Following::take_record(std::string_view line, Instant now, Happenings& out) {
  if (!greeted_) return garbled("a record before its hello", now, out);
  const std::uint64_t n = check_.lines();
  journal::Frame frame;
  // Judged before the line's own form: what does not carry on from what was shown is another history, well formed or not.
  if (n > 0 && !journal::read_frame(line, frame) && frame.n == n && frame.prev != check_.head())
    return end(Outcome::changed, "record " + std::to_string(n) + " does not carry on from record " +
                                     std::to_string(n - 1) + " as it was shown before");
  if (const auto accepted = check_.accept(line); !accepted) return end(Outcome::damaged, accepted.error().detail);
  went_well(out);
  if (std::exchange(silent_, false))
    out.push_back(News{"records come again, after " + seconds_text(now - last_record_)});
  last_record_ = now;
  out.push_back(NewRecord{line});
}

void Following::take_own(std::string_view line, Instant now, Happenings& out) {
  const auto parsed = parse_line(line);
  if (!parsed) return garbled("a line of the relay's own that is not understood: " + parsed.error().detail, now, out);
  if (const auto* hello = std::get_if<Hello>(&*parsed)) return take(*hello, now, out);
  if (const auto* error = std::get_if<ErrorLine>(&*parsed)) return take(*error, now, out);
  if (!greeted_) return garbled("a line before its hello", now, out);
  if (const auto* head = std::get_if<Head>(&*parsed)) {
    take(*head, line, out);
    return take(Idle{head->utc}, now, out);
  }
  if (const auto* idle = std::get_if<Idle>(&*parsed)) return take(*idle, now, out);
  if (const auto* last = std::get_if<End>(&*parsed)) return take(*last, out);
  garbled("a line that belongs to another request", now, out);
}

void Following::take(const Hello& hello, Instant now, Happenings& out) {
  if (greeted_) return garbled("two hellos", now, out);
  if (!wanted_.run.empty() && hello.run != wanted_.run)
    return garbled("another run than was asked for: " + hello.run, now, out);
  if (hello.from != check_.lines())
    return garbled(
        "records from " + std::to_string(hello.from) + " on, and " + std::to_string(check_.lines()) + " was asked for",
        now, out);
  greeted_ = true;
  up_again_ = "the line to the relay is up again, after " + seconds_text(now - lost_at_) + "; it goes on at record " +
              std::to_string(hello.from);
  if (std::exchange(met_, true)) return;
  last_record_ = now;
  wanted_.run = hello.run;
  out.push_back(Opened{hello.run});
}

void Following::take(const Head& head, std::string_view line, Happenings& out) {
  const std::uint64_t lines = check_.lines();
  if (head.n + 1 != lines || head.hash != check_.head())
    return end(Outcome::changed, "the relay names record " + std::to_string(head.n) + " with hash " + head.hash +
                                     " as its last; what it sent ends with record " +
                                     (lines == 0 ? "none" : std::to_string(lines - 1)) + ", hash " + check_.head());
  out.push_back(NewHead{std::string(line), head});
}

// A relay that says this has nothing else to say: all that the journal holds is here.
void Following::take(const Idle& idle, Instant now, Happenings& out) {
  if (state_ != State::connected) return;
  went_well(out);
  if (wanted_.silence == Duration{0} || silent_ || check_.complete() || now - last_record_ < wanted_.silence) return;
  silent_ = true;
  out.push_back(News{"no record for " + seconds_text(now - last_record_) + ", and the relay is there (its clock: " +
                     idle.utc + "): the daemon may be dead; look after the run"});
}

void Following::take(const End& last, Happenings& out) {
  went_well(out);
  if (last.closed && !check_.closed())
    return end(Outcome::damaged, "the relay says that the journal is closed, and no closing record came");
  end(Outcome::done, last.closed && !check_.complete() ? "the journal is closed, but its seal is missing" : "");
}

void Following::take(const ErrorLine& error, Instant now, Happenings& out) {
  std::string text = "the relay says no (" + std::string(name(error.code)) + "): " + error.text;
  if (passing(error.code)) {
    const auto more = lost({Trouble::Kind::passing, std::move(text)}, now);
    out.insert(out.end(), more.begin(), more.end());
    return;
  }
  // What is here goes further than the relay's file.
  if (error.code == Refusal::no_such_record && check_.lines() > 0)
    return end(Outcome::changed,
               "the relay's journal ends before record " + std::to_string(check_.lines() - 1) +
                   ", which it has shown before: it was cut, or its last seconds were lost in a power "
                   "cut; " +
                   text);
  end(outcome_of(error.code), std::move(text));
}

void Following::went_well(Happenings& out) {
  failures_ = 0;
  if (!told_.empty()) out.push_back(News{std::move(up_again_)});
  told_.clear();
}

void Following::garbled(std::string what, Instant now, Happenings& out) {
  const auto more = lost({Trouble::Kind::passing, "what came is no relay's answer: " + std::move(what)}, now);
  out.insert(out.end(), more.begin(), more.end());
}

Happenings Following::lost(const Trouble& trouble, Instant now) {
  Happenings out;
  if (state_ == State::ended) return out;
  state_ = State::waiting;
  const bool final = trouble.kind == Trouble::Kind::final || (trouble.kind == Trouble::Kind::identity && !met_);
  if (final || !wanted_.follow) {
    end(trouble.kind == Trouble::Kind::passing ? Outcome::unreachable : Outcome::refused, trouble.text);
    return out;
  }
  const bool known = !told_.empty();
  if (!known) lost_at_ = now;
  next_try_ = now + pause();
  if (told_.size() >= most_told || std::find(told_.begin(), told_.end(), trouble.text) != told_.end()) return out;
  told_.push_back(trouble.text);
  out.push_back(News{(known ? "still no line to the relay: " : "no line to the relay: ") + trouble.text +
                     (known ? "" : "; trying again until it is there")});
  return out;
}

Happenings Following::passed(Instant now) {
  if (state_ != State::connected || now < heard_ + longest_quiet) return {};
  return lost({Trouble::Kind::passing, "nothing came for " + seconds_text(longest_quiet)}, now);
}

void Following::end(Outcome outcome, std::string reason) {
  state_ = State::ended;
  outcome_ = outcome;
  reason_ = std::move(reason);
}

Duration Following::pause() {
  Duration whole = first_pause;
  for (int i = 0; i < failures_ && whole < longest_pause; ++i) whole *= 2;
  ++failures_;
  whole = std::min(whole, longest_pause);
  const auto half = static_cast<std::uint64_t>(whole.count() / 2);
  return whole - Duration(static_cast<Duration::rep>(random_() % (half + 1)));
}

}  // namespace nightwell::remote
