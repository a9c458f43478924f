// Following one run over a relay's line, as decisions: what to ask for, what came, what is wrong, when to try again, when to give up.
//
// A value that is fed with bytes and times; no socket, file or clock. Whoever owns it does what the returned happenings say and asks
// it what next:
//
//   wants_line(now)   connect, then send request(); tell connected(), or lost() where it cannot be made
//   on_line()         tell bytes() as they come, lost() when the line ends, passed() at wake(). No longer on_line(): close it
//   ended()           outcome() and reason()
//
// What it holds to:
//   - every record is checked as journal::LineCheck does, in order, each once. One whose `prev` does not fit, a head whose hash is
//     another, or a relay that says so: another history than was shown before (Outcome::changed), whatever was wished.
//   - a relay that says nothing for 45 s is gone, though the line may look alive.
//   - where it keeps trying: 1 s, 2 s, 4 s … 30 s, each shortened by up to a half at random, from 1 s again after a line that gave
//     something; each reason is told once until the line has given something again.
//   - nothing is asked for twice: the next request names the record behind the last whole one, and its hash.
#pragma once

#include <cstdint>
#include <optional>
#include <random>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "journal/reader.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"
#include "remote/protocol.hpp"

namespace nightwell::remote {

inline constexpr Duration longest_quiet = std::chrono::seconds(45);
inline constexpr Duration first_pause = std::chrono::seconds(1), longest_pause = std::chrono::seconds(30);

struct Wanted {
  std::string run;         // a run's id; empty: the newest
  bool follow = true;      // on as it grows, trying again for ever; false: what is there now, once
  Duration silence{0};     // so long without a record on a line that is alive is told; 0: never
  std::uint32_t seed = 1;  // of the pauses' jitter
};

// Why a line ended or could not be made.
struct Trouble {
  enum class Kind {
    passing,  // may be better next time
    identity,  // a certificate is refused, the relay's or ours, which a wrong clock and a foreign network bring about too: final
               // at the first contact, passing after it
    final,  // trying again is no use
  };
  Kind kind = Kind::passing;
  std::string text;  // may hold text from outside
};

enum class Outcome {
  done,         // the journal is closed, or all that was asked for is here
  unreachable,  // no line, and it was not to try again
  refused,      // the relay does not let us in, or has no such run
  damaged,      // what the relay sends is no journal
  changed,      // another history than was shown before
};

// The first hello: the run's id is known. What came behind it waits: carry_on() where there is a copy, then bytes("", now).
struct Opened {
  std::string run;
};
struct NewRecord {
  std::string_view line;  // checked, without LF; valid until the next call
};
struct NewHead {
  std::string line;
  Head head;
};
struct News {
  std::string text;  // for people; may hold text from outside
};
using Happening = std::variant<Opened, NewRecord, NewHead, News>;
using Happenings = std::vector<Happening>;

class Following {
 public:
  explicit Following(Wanted wanted);

  // What is here already of the run: the following goes on behind it. Before the first line, or upon Opened.
  void carry_on(journal::LineCheck check);

  [[nodiscard]] bool wants_line(Instant now) const { return state_ == State::waiting && now >= next_try_; }
  [[nodiscard]] bool on_line() const { return state_ == State::connected; }
  [[nodiscard]] bool ended() const { return state_ == State::ended; }
  // Where it must be called again at the latest.
  [[nodiscard]] Instant wake() const { return state_ == State::connected ? heard_ + longest_quiet : next_try_; }
  // One line, without LF.
  [[nodiscard]] std::string request() const;

  void connected(Instant now);
  Happenings bytes(std::string_view bytes, Instant now);
  Happenings lost(const Trouble& trouble, Instant now);
  Happenings passed(Instant now);

  [[nodiscard]] Outcome outcome() const { return outcome_; }
  [[nodiscard]] const std::string& reason() const { return reason_; }  // empty: nothing to say
  [[nodiscard]] const std::string& run() const { return wanted_.run; }
  [[nodiscard]] const journal::LineCheck& check() const { return check_; }

 private:
  enum class State { waiting, connected, ended };

  void take_record(std::string_view line, Instant now, Happenings& out);
  void take_own(std::string_view line, Instant now, Happenings& out);
  void take(const Hello& hello, Instant now, Happenings& out);
  void take(const Head& head, std::string_view line, Happenings& out);
  void take(const End& end, Happenings& out);
  void take(const ErrorLine& error, Instant now, Happenings& out);
  void take(const Idle& idle, Instant now, Happenings& out);
  void garbled(std::string what, Instant now, Happenings& out);
  void went_well(Happenings& out);
  void end(Outcome outcome, std::string reason);
  Duration pause();

  Wanted wanted_;
  journal::LineCheck check_;
  State state_ = State::waiting;
  Outcome outcome_ = Outcome::done;
  std::string reason_;
  std::string buffer_;    // bytes that came
  std::size_t used_ = 0;  // of them, whose lines were taken
  Instant next_try_, heard_, last_record_, lost_at_;
  bool greeted_ = false;  // a hello has come on this line
  bool met_ = false;      // and on any
  bool silent_ = false;   // and it has been told
  int failures_ = 0;      // in a row
  // Why there is no line, as told since it last gave something; what to say when it does. A relay that greets and then fails is
  // no line either.
  std::vector<std::string> told_;
  std::string up_again_;
  std::minstd_rand random_;
};

}  // namespace nightwell::remote
