// The guardian's decisions as a value: step(limits, state, event, now) -> state and actions. No clock, no
// port, no socket, no log: events carry what happened, `now` says when (run clock), actions say what to do.
// The same list of events always gives the same list of actions, so the rehearsal runs the same guardian on
// virtual time.
//
//   phase    means                            leaves by
//   opening  the source has not answered yet  first read-back: off -> idle, on -> parking
//   idle     answered, no lease granted yet   a lease -> holding; any rule -> parking; daemon gone -> parking
//                                             (which only looks, and leaves a source that is off alone)
//   holding  a lease is in force              any rule, lease end, daemon gone, park asked -> parking
//   parking  on the off ladder, not proved    proved -> parked, or left where the guardian is to leave
//   parked   proved off; latched              output on again -> parking; daemon gone, told to stop -> left
//   left     the process ends                 never
//
//   event            opening      idle         holding      parking        parked        left
//   lease asked      refused      granted      granted      refused        refused       nothing
//   park asked       parking      parking      parking      (already)      said again    nothing
//   daemon gone      parking*     look         parking*     leaves after   left          nothing
//   told to stop     parking*     look         parking*     leaves after   left          nothing
//   host slept       nothing      parking      parking      nothing        nothing       nothing
//   malformed        parking      parking      parking      (already)      nothing       nothing
//   broken           parking      parking      parking      next round     fault         nothing
//   read-back        idle/parking rules        rules        ladder         output, rise  nothing
//   failure          tries again  fault        fault        ladder         fault         nothing
//   * and leaves once the park is proved
//
// The off ladder: output off, read back, setpoint to safe_c, read back; proved when the last read-back says
// output off and the setpoint is safe_c. If not proved: say so, pause (1 to 5 s), identify again, once more,
// for ever. A round in which the output cannot be read ends there: "off" comes before anything else.
//
// Conversations: at most one is awaited. Each carries a ticket; a command replaces an older one that has not
// begun, and the result of a ticket that is no longer awaited changes nothing.
//
// Rule numbers H… are those of the heat rules; the constants below are common practice, no source.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "guardian/report.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::guardian {

// What a heat source may do. Setpoints lie in [lowest_c, highest_c]; times are on the run clock.
struct Limits {
  double lowest_c = 0;
  double highest_c = 0;
  double safe_c = 0;              // the setpoint of a parked source; inside [lowest_c, highest_c]
  double absolute_highest_c = 0;  // >= highest_c: no read-back may lie above
  Duration lease{};               // the longest lease that is granted; >= 2 * poll
  Duration poll{};                // a read-back every …
  Duration stale{};               // without a whole read-back for this long: park
  Duration heating_window{};      // a source that is on and below its target must gain …
  double heating_gain_k = 0;      // … this much within the window
  double readback_tolerance_k = 0.01;
  // Somebody heated the source before this process began (a guardian that died, a conformance check): that it never answers
  // proves nothing, so it is never given up and never left alone unlooked at.
  bool heated_before = false;
};

// bad_input: a limit is not finite, not positive where it must be, or the order above does not hold.
[[nodiscard]] Result<void> check(const Limits& limits);

inline constexpr int most_tries = 3;                      // writes of one value before it parks
inline constexpr int too_hot_reads = 2;                   // consecutive read-backs above a limit (H3)
inline constexpr double far_too_hot_k = 5;                // one read-back this far above is enough (H3)
inline constexpr double heating_matters_k = 2;            // nearer to the target, no gain is asked for (H8)
inline constexpr Duration rise_window{120'000'000};       // a source told off is looked at over this long (H5)
inline constexpr double rise_alarm_k = 2;                 // and may not rise by more (H5)
inline constexpr double room_above_safe_k = 10;           // a cold source may warm to the room: no alarm below
inline constexpr Duration retry_pause{1'000'000};         // after a failed conversation, or poll if shorter
inline constexpr Duration first_ladder_pause{1'000'000};  // grows by as much each round
inline constexpr Duration longest_ladder_pause{5'000'000};

// ---- events ----

// The daemon asks to heat (or renews). `lease` > 0 and at most Limits::lease; highest_c: no read-back may lie
// above it while the lease is in force, so it must also allow for where the source is now.
struct LeaseRequested {
  double target_c = 0;
  bool output = false;
  double highest_c = 0;
  Duration lease{};
};
struct ParkRequested {
  std::string cause;
};
struct DaemonGone {};  // the daemon's end of the socket closed
struct StopRequested {
  std::string text;  // "SIGTERM"
};
struct MalformedRequest {
  std::string text;
};
struct HostSlept {
  Duration slept{};
};
struct Broken {
  std::string text;  // the shell caught something it does not know
};
struct Tick {};

using Ticket = std::uint64_t;  // 1, 2, …; 0 is no conversation

struct Identified {
  Ticket ticket = 0;
  std::string identity;
};
struct CommandDone {
  Ticket ticket = 0;
};
// An identify, a set_target or a set_output failed.
struct CommandFailed {
  Ticket ticket = 0;
  Error error;
};
struct ReadBack {
  Ticket ticket = 0;
  double target_c = 0;
  double temperature_c = 0;
  bool output = false;
};
// What a read-back showed before it failed: an unreadable temperature does not hide a proved "off".
struct Seen {
  std::optional<double> target_c;
  std::optional<bool> output;
};
struct ReadFailed {
  Ticket ticket = 0;
  Error error;
  Seen seen;
};

using Event = std::variant<LeaseRequested, ParkRequested, DaemonGone, StopRequested, MalformedRequest, HostSlept,
                           Broken, Tick, Identified, CommandDone, CommandFailed, ReadBack, ReadFailed>;

// ---- actions ----

struct Identify {  // opens the port if it is not open
  Ticket ticket = 0;
};
struct SetTarget {
  Ticket ticket = 0;
  double target_c = 0;
};
struct SetOutput {
  Ticket ticket = 0;
  bool on = false;
};
struct ReadBackNow {
  Ticket ticket = 0;
};
// Say this to the daemon (and to the log).
using Said = std::variant<Status, Accepted, Refused, Parked, Fault, Opened>;
struct Say {
  Said said;
};
// End the process. 0: the output was read back as off. 3: the source never answered in this process's life,
// and nothing could be seen or done (never where it was heated before).
struct Exit {
  int code = 0;
};

using Action = std::variant<Identify, SetTarget, SetOutput, ReadBackNow, Say, Exit>;

// ---- state ----

enum class Cause {
  asked,            // the daemon asked; its own text stands instead
  lease_ended,      // H2
  daemon_gone,      // H2
  told_to_stop,     // a signal
  too_hot,          // H3
  rises_while_off,  // H5
  not_heating,      // H8
  stale,            // H10
  not_as_told,      // H13: a confirmed source reads otherwise
  not_taken,        // H13: a value was not taken in most_tries writes
  found_on,         // H18: heat without a lease
  other_instrument,
  malformed,
  host_slept,
  unexpected,  // H23
};
[[nodiscard]] std::string_view name(Cause cause);

struct Window {
  Instant since;
  double from_c = 0;
};

// What is watched while a source is in sight.
struct Watch {
  Instant last_good;  // the last whole read-back
  Instant next_poll;
  int too_hot = 0;
  std::optional<Window> heating;  // H8: open while heat is asked for and the source is below its target
  std::optional<Window> off;      // H5: open while the output reads off
};

struct Opening {
  Instant try_at;
};
struct Idle {
  Watch watch;
};

struct Lease {
  double target_c = 0;
  bool output = false;
  double highest_c = 0;
  Instant ends;
};
enum class Telling { target, output, nothing };  // the value being written and not yet confirmed
struct Holding {
  Lease lease;
  std::optional<double> target_c;  // confirmed by a read-back; empty: never set, or being written
  std::optional<bool> output;      // likewise
  Telling telling = Telling::nothing;
  int tries = 0;  // writes of that value so far
  Watch watch;
};

enum class Rung { identify, look, off, read_off, target, read_target, pause };
enum class Then { stay, leave };
struct Parking {
  Cause cause = Cause::unexpected;
  std::string detail;
  Then then = Then::stay;
  Rung first = Rung::off;  // after identify: look where nothing was ever switched on, else off
  Rung rung = Rung::off;
  int round = 1;
  Instant resume_at;                   // while rung is pause
  std::optional<Instant> gives_up_at;  // only where the source never answered and the daemon is gone
  Seen seen;                           // of this round
  std::string trouble;                 // the last failure of this round
};
struct Latched {
  Cause cause = Cause::unexpected;
  std::string detail;
  Watch watch;
};
struct Left {
  int code = 0;
};
using Phase = std::variant<Opening, Idle, Holding, Parking, Latched, Left>;

enum class Talk { none, identify, set_target, set_output, read_back };
enum class Link { good, suspect };  // suspect: identify before anything but "off"

struct State {
  Phase phase = Opening{};
  Talk awaited = Talk::none;
  Ticket ticket = 0;  // the newest one given out; the awaited one while awaited is not none
  Link link = Link::suspect;
  std::optional<std::string> identity;  // as first seen; another one later is another instrument
};

struct Step {
  State state;
  std::vector<Action> actions;
};

// Pure. `limits` must have passed check(); `now` never goes back. The first event is a Tick.
[[nodiscard]] Step step(const Limits& limits, State state, const Event& event, Instant now);

// When the next Tick is due; empty: only another event can change anything.
[[nodiscard]] std::optional<Instant> next_tick(const Limits& limits, const State& state);

}  // namespace nightwell::guardian
