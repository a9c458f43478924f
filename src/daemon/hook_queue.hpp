// One hook's calls, one at a time: what waits, what runs, when it has run too long. A value: starts nothing itself.
//
//   idle      call          -> starting   (start)
//   starting  started       -> running
//             not started   -> next call  (report not_started)
//             time limit    -> starting   (report time_limit: what comes up now is killed at once)
//   running   ended         -> next call  (report done, exit or signal)
//             time limit    -> ending     (SIGTERM)
//   ending    ended         -> next call  (report time_limit)
//             2 s later     -> killed     (SIGKILL), and waits for its end
//
// Calls that come meanwhile wait, 64 at most; the first one beyond is reported (overflow), more of them are counted until there is
// room again. Time is real time: hooks are real programs whatever the clock of a run does.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "daemon/hook_events.hpp"
#include "nightwell/time.hpp"

namespace nightwell::daemon {

inline constexpr std::size_t most_waiting_calls = 64;
inline constexpr std::chrono::seconds hook_grace{2};  // between SIGTERM and SIGKILL

// Something that happened, as a hook is told of it.
struct HookCall {
  HookEvent event = HookEvent::started;
  std::string run, bench, journal;
  std::optional<std::uint64_t> record;  // its n; nullopt where no record stands for it
  std::string line;                     // for standard input, with its LF
};
using SharedCall = std::shared_ptr<const HookCall>;

enum class HookOutcome { done, exit, signal, time_limit, not_started, overflow };
[[nodiscard]] std::string_view name(HookOutcome outcome);

// How a process ended: one of the two.
struct ProcessEnd {
  std::optional<int> exit, signal;
};

struct HookReport {
  HookOutcome outcome = HookOutcome::done;
  SharedCall call;
  ProcessEnd end;  // neither where none ended
  Duration took{};
  std::string text;  // what it said (any bytes), or why it was not started
};

// What to do about it, in this order.
struct HookEffects {
  int signal = 0;  // to the whole process group; 0: none
  std::optional<HookReport> report;
  std::uint64_t dropped = 0;  // calls; there is room again
  SharedCall start;           // null: none
};

class HookQueue {
 public:
  using Moment = std::chrono::steady_clock::time_point;

  explicit HookQueue(Duration within) : within_(within) {}

  HookEffects call(SharedCall call, Moment now);
  HookEffects started(Moment now);
  HookEffects not_started(std::string why, Moment now);
  HookEffects ended(ProcessEnd end, std::string said, Moment now);
  HookEffects look(Moment now);  // time alone
  // Nothing more is started: what waits is dropped, what runs gets its SIGTERM.
  HookEffects give_up(Moment now);

  [[nodiscard]] std::optional<Moment> wake_at() const;
  [[nodiscard]] bool idle() const { return stage_ == Stage::idle; }

 private:
  enum class Stage { idle, starting, running, ending, killed };

  void begin(SharedCall call, Moment now, HookEffects& effects);
  void next(Moment now, HookEffects& effects);
  void report(HookOutcome outcome, ProcessEnd end, std::string text, Moment now, HookEffects& effects);
  void end_it(Moment now, HookEffects& effects);

  Duration within_;
  Stage stage_ = Stage::idle;
  SharedCall current_;
  Moment since_, grace_until_;
  bool late_ = false;      // the current one is over its time
  bool reported_ = false;  // and that was said
  bool given_up_ = false;
  std::deque<SharedCall> waiting_;
  std::uint64_t dropped_ = 0;
};

}  // namespace nightwell::daemon
