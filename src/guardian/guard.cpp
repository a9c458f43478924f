#include "guardian/guard.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "guardian/text.hpp"

namespace nightwell::guardian {
namespace {

std::string celsius(double t_c) {
  return number(t_c) + " °C";
}
std::string seconds(Duration d) {
  return number(to_seconds(d)) + " s";
}
std::string on_off(bool output) {
  return output ? "on" : "off";
}

bool link_trouble(Errc code) {
  return code != Errc::refused && code != Errc::out_of_range && code != Errc::open_sensor && code != Errc::overload &&
         code != Errc::mismatch;
}

bool finite(const ReadBack& read) {
  return std::isfinite(read.target_c) && std::isfinite(read.temperature_c);
}

// One step. The members are the state being changed and the actions so far; each function is one row or one
// cell of the tables in the header.
class Stepper {
 public:
  Stepper(const Limits& limits, State state, Instant now) : limits_(limits), state_(std::move(state)), now_(now) {}

  Step run(const Event& event) {
    time_passes();
    if (!in<Left>()) std::visit([this](const auto& e) { on(e); }, event);
    return {std::move(state_), std::move(actions_)};
  }

 private:
  // ---- requests ----

  void on(const LeaseRequested& asked) {
    if (const auto fault = why_not(asked)) return say(Refused{*fault});
    const Lease lease{asked.target_c, asked.output, asked.highest_c, now_ + asked.lease};
    bool changed = false;
    if (auto* idle = get<Idle>()) {
      Holding first;
      first.output = false;  // idle saw it off
      first.watch = idle->watch;
      state_.phase = first;
      changed = true;
    }
    auto& holding = *get<Holding>();
    changed |= holding.lease.target_c != lease.target_c || holding.lease.output != lease.output;
    if (changed) holding.watch.heating.reset();
    holding.lease = lease;
    say(Accepted{lease.target_c, lease.output, to_seconds(asked.lease)});
    if (changed) tell_next();
  }

  std::optional<std::string> why_not(const LeaseRequested& asked) const {
    if (in<Opening>()) return "the source has not answered yet";
    if (in<Parking>() || in<Latched>()) return "the source is parked; only a new run may heat again";
    if (!std::isfinite(asked.target_c) || !std::isfinite(asked.highest_c)) return "a temperature is not a number";
    if (asked.target_c < limits_.lowest_c || asked.target_c > limits_.highest_c)
      return "the target " + celsius(asked.target_c) + " is outside the source's limits " + celsius(limits_.lowest_c) +
             " to " + celsius(limits_.highest_c);
    if (asked.highest_c > limits_.absolute_highest_c)
      return "the highest temperature " + celsius(asked.highest_c) + " is above the source's absolute limit " +
             celsius(limits_.absolute_highest_c);
    if (asked.target_c > asked.highest_c)
      return "the target " + celsius(asked.target_c) + " is above the lease's own highest temperature " +
             celsius(asked.highest_c);
    if (asked.lease <= Duration::zero() || asked.lease > limits_.lease)
      return "a lease must last more than 0 and at most " + seconds(limits_.lease) + ", not " + seconds(asked.lease);
    return std::nullopt;
  }

  void on(const ParkRequested& asked) {
    if (const auto* latched = get<Latched>()) return say_parked(*latched, "it was parked before");
    park(Cause::asked, asked.cause);
  }

  void on(const DaemonGone&) { leave(Cause::daemon_gone, "the daemon's end of the socket closed"); }
  void on(const StopRequested& asked) { leave(Cause::told_to_stop, asked.text); }
  void on(const MalformedRequest& request) { park(Cause::malformed, request.text); }

  void on(const HostSlept& sleep) {
    if (in<Idle>() || in<Holding>())
      park(Cause::host_slept, "the host slept for " + seconds(sleep.slept) + " and nobody watched");
  }

  void on(const Broken& broken) {
    state_.awaited = Talk::none;
    if (auto* parking = get<Parking>()) {
      parking->trouble = broken.text;
      return not_proved();
    }
    if (in<Latched>()) return say(Fault{Error{Errc::unexpected, "watching the parked source", broken.text, ""}});
    park(Cause::unexpected, broken.text);
  }

  // Parks and then leaves; leaves at once where the park is proved.
  void leave(Cause cause, std::string detail) {
    if (in<Latched>()) return end(0);
    if (auto* parking = get<Parking>()) {
      parking->then = Then::leave;
      return limit_hopeless();
    }
    const bool never_heated = !limits_.heated_before && (in<Opening>() || in<Idle>());
    begin_parking(cause, std::move(detail), Then::leave, never_heated ? Rung::look : Rung::off);
    limit_hopeless();
  }

  // A source that never answered in this process's life was never heated by it: not tried for ever, unless somebody else
  // heated it.
  void limit_hopeless() {
    auto& parking = *get<Parking>();
    if (!limits_.heated_before && !state_.identity && !parking.gives_up_at) parking.gives_up_at = now_ + limits_.lease;
  }

  // ---- time ----

  // Before every event, so that a renewal which comes after the end of a lease does not revive it.
  void time_passes() {
    if (const auto* holding = get<Holding>(); holding && now_ >= holding->lease.ends)
      return park(Cause::lease_ended, "the lease ended and was not renewed");
    if (const auto* watch = watched(); watch && !in<Latched>() && now_ - watch->last_good >= limits_.stale)
      return park(Cause::stale, "no whole read-back for " + seconds(now_ - watch->last_good));
    if (const auto* parking = get<Parking>(); parking && parking->gives_up_at && now_ >= *parking->gives_up_at) {
      say(Parked{cause_text(*parking), false,
                 "the source never answered, so nothing was switched on and nothing could be switched off: look "
                 "at the source"});
      end(3);
    }
  }

  void on(const Tick&) {
    if (state_.awaited != Talk::none && !in<Parking>()) return;
    if (const auto* opening = get<Opening>()) {
      if (now_ >= opening->try_at) talk_identify();
    } else if (const auto* parking = get<Parking>()) {
      if (parking->rung == Rung::pause && now_ >= parking->resume_at) begin_round();
    } else if (const auto* watch = watched()) {
      if (now_ >= watch->next_poll) poll();
    }
  }

  void poll() {
    watched()->next_poll = now_ + limits_.poll;
    state_.link == Link::good ? talk_read_back() : talk_identify();
  }

  // ---- results ----

  // Whether the result is the awaited one. A result of an older conversation changes nothing; one that cannot
  // be parks (H23).
  bool awaited(Ticket ticket, bool fits) {
    if (ticket < state_.ticket) return false;
    if (ticket > state_.ticket || !fits) {
      on(Broken{"a result came for a conversation that was not held"});
      return false;
    }
    state_.awaited = Talk::none;
    return true;
  }

  void on(const Identified& answer) {
    if (!awaited(answer.ticket, state_.awaited == Talk::identify)) return;
    if (state_.identity && *state_.identity != answer.identity)
      return identify_failed(Error{Errc::wrong_identity, "identifying the source",
                                   "it said \"" + answer.identity + "\" and before \"" + *state_.identity + "\"", ""});
    state_.identity = answer.identity;
    state_.link = Link::good;
    if (auto* parking = get<Parking>()) {
      parking->gives_up_at.reset();
      return climb(parking->first);
    }
    talk_read_back();
  }

  void on(const CommandDone& done) {
    if (!awaited(done.ticket, commanding())) return;
    state_.link = Link::good;
    if (auto* parking = get<Parking>()) return climb(after_command(*parking));
    talk_read_back();
  }

  void on(const CommandFailed& failed) {
    const bool identifying = state_.awaited == Talk::identify;
    if (!awaited(failed.ticket, identifying || commanding())) return;
    if (identifying) return identify_failed(failed.error);
    note_failure(failed.error);
    if (auto* parking = get<Parking>()) return climb(after_command(*parking));
    poll();  // it may have taken hold all the same: the read-back decides
  }

  void identify_failed(const Error& error) {
    note_failure(error);
    state_.link = Link::suspect;
    const bool other = error.code == Errc::wrong_identity;
    if (in<Parking>()) {
      // Nothing is ever written to another instrument. To a source that is merely deaf, "off" is still sent.
      return other || !state_.identity ? not_proved() : climb(Rung::off);
    }
    if (other && state_.identity && !in<Latched>()) return park(Cause::other_instrument, error.text());
    wait_and_retry();
  }

  void on(const ReadFailed& failed) {
    if (!awaited(failed.ticket, state_.awaited == Talk::read_back)) return;
    read_failed(failed.error, failed.seen);
  }

  void read_failed(const Error& error, const Seen& seen) {
    note_failure(error);
    if (in<Parking>()) return ladder_read(seen);
    if (in<Idle>() && seen.output.value_or(false)) return park(Cause::found_on, found_on_text);
    if (in<Holding>() && !as_told(seen)) return;
    if (in<Latched>() && seen.output.value_or(false)) return came_on_again();
    wait_and_retry();
  }

  void on(const ReadBack& read) {
    if (!awaited(read.ticket, state_.awaited == Talk::read_back)) return;
    if (!finite(read))
      return read_failed(Error{Errc::garbled, "reading the source back", "a temperature is not a number", ""}, {});
    state_.link = Link::good;
    const Seen seen{read.target_c, read.output};
    if (in<Opening>()) {
      state_.phase = Idle{fresh_watch()};
      say(Opened{*state_.identity, status(read)});
      return idle_read(read);
    }
    say(status(read));
    if (in<Parking>()) return ladder_read(seen);
    watched()->last_good = now_;
    if (in<Idle>()) return idle_read(read);
    if (in<Holding>()) return holding_read(read, seen);
    latched_read(read);
  }

  void idle_read(const ReadBack& read) {
    if (read.output) return park(Cause::found_on, found_on_text);
    if (too_hot(read, limits_.absolute_highest_c)) return;
    rising(read);
  }

  void holding_read(const ReadBack& read, const Seen& seen) {
    if (!as_told(seen)) return;
    if (too_hot(read, std::min(get<Holding>()->lease.highest_c, limits_.absolute_highest_c))) return;
    if (rising(read) || not_heating(read)) return;
    confirm(read);
  }

  void latched_read(const ReadBack& read) {
    if (read.output) return came_on_again();
    rising(read);
  }

  void came_on_again() {
    const Latched latched = *get<Latched>();
    begin_parking(latched.cause, latched.detail, Then::stay, Rung::off, "its output reads on again; switching off");
  }

  void note_failure(const Error& error) {
    if (link_trouble(error.code)) state_.link = Link::suspect;
    if (auto* parking = get<Parking>())
      parking->trouble = error.text();  // said with the round
    else
      say(Fault{error});
  }

  void wait_and_retry() {
    const Instant at = now_ + std::min(limits_.poll, retry_pause);
    if (auto* opening = get<Opening>())
      opening->try_at = at;
    else if (auto* watch = watched())
      watch->next_poll = at;
  }

  // ---- rules ----

  // H13: what was confirmed stays so. False: parked.
  bool as_told(const Seen& seen) {
    const auto& holding = *get<Holding>();
    if (seen.output && holding.output && *seen.output != *holding.output) {
      park(Cause::not_as_told, "the output reads " + on_off(*seen.output) + " and was told " + on_off(*holding.output));
      return false;
    }
    if (seen.target_c && holding.target_c && !near(*seen.target_c, *holding.target_c)) {
      park(Cause::not_as_told,
           "the setpoint reads " + celsius(*seen.target_c) + " and was told " + celsius(*holding.target_c));
      return false;
    }
    return true;
  }

  bool near(double read_c, double told_c) const { return std::abs(read_c - told_c) <= limits_.readback_tolerance_k; }

  // H3. True: parked.
  bool too_hot(const ReadBack& read, double limit_c) {
    auto& watch = *watched();
    const double over_k = read.temperature_c - limit_c;
    watch.too_hot = over_k > 0 ? watch.too_hot + 1 : 0;
    if (watch.too_hot < too_hot_reads && !(over_k > far_too_hot_k)) return false;
    park(Cause::too_hot, celsius(read.temperature_c) + " is above the limit " + celsius(limit_c));
    return true;
  }

  // H5. True: parked.
  bool rising(const ReadBack& read) {
    auto& off = watched()->off;
    if (read.output) return off.reset(), false;
    const double from_c = std::max(read.temperature_c, limits_.safe_c + room_above_safe_k);
    if (!off) return off = Window{now_, from_c}, false;
    const double rise_k = read.temperature_c - off->from_c;
    if (now_ - off->since < rise_window) return false;
    const Duration over = now_ - off->since;
    off = Window{now_, from_c};
    if (!(rise_k > rise_alarm_k)) return false;
    const std::string text = "the temperature rose by " + number(rise_k) + " K in " + seconds(over) +
                             " though the output reads off: cut the source's power by hand, software can do no more";
    say(Fault{Error{Errc::mismatch, "watching the source", text, ""}});
    if (in<Latched>()) return false;
    park(Cause::rises_while_off, text);
    return true;
  }

  // H8. True: parked.
  bool not_heating(const ReadBack& read) {
    auto& holding = *get<Holding>();
    auto& window = holding.watch.heating;
    const bool asked = read.output && holding.output.value_or(false) && holding.target_c &&
                       read.temperature_c < *holding.target_c - heating_matters_k;
    if (!asked) return window.reset(), false;
    if (!window || read.temperature_c - window->from_c >= limits_.heating_gain_k)
      return window = Window{now_, read.temperature_c}, false;
    if (now_ - window->since < limits_.heating_window) return false;
    park(Cause::not_heating, "on, below its target " + celsius(*holding.target_c) + ", and from " +
                                 celsius(window->from_c) + " to only " + celsius(read.temperature_c) + " in " +
                                 seconds(now_ - window->since));
    return true;
  }

  // ---- telling the source ----

  // Off before anything, on after everything.
  void tell_next() {
    auto& holding = *get<Holding>();
    holding.tries = 0;
    if (!holding.lease.output && holding.output != false)
      holding.telling = Telling::output;
    else if (holding.target_c != holding.lease.target_c)
      holding.telling = Telling::target;
    else if (holding.output != holding.lease.output)
      holding.telling = Telling::output;
    else
      holding.telling = Telling::nothing;
    tell();
  }

  void tell() {
    auto& holding = *get<Holding>();
    if (holding.telling == Telling::nothing) return;
    ++holding.tries;
    if (holding.telling == Telling::target) {
      holding.target_c.reset();
      talk_set_target(holding.lease.target_c);
    } else {
      holding.output.reset();
      talk_set_output(holding.lease.output);
    }
  }

  // The read-back after a write: taken, written again, or given up.
  void confirm(const ReadBack& read) {
    auto& holding = *get<Holding>();
    if (holding.telling == Telling::nothing) return;
    const bool target = holding.telling == Telling::target;
    if (target ? near(read.target_c, holding.lease.target_c) : read.output == holding.lease.output) {
      if (target)
        holding.target_c = holding.lease.target_c;
      else
        holding.output = holding.lease.output;
      return tell_next();
    }
    if (holding.tries < most_tries) return tell();
    const std::string what = target ? "the setpoint reads " + celsius(read.target_c) + " after " +
                                          std::to_string(most_tries) + " writes of " + celsius(holding.lease.target_c)
                                    : "the output reads " + on_off(read.output) + " after it was told " +
                                          on_off(holding.lease.output) + " " + std::to_string(most_tries) + " times";
    park(Cause::not_taken, what);
  }

  // ---- the off ladder ----

  void park(Cause cause, std::string detail) {
    if (in<Parking>() || in<Latched>() || in<Left>()) return;
    begin_parking(cause, std::move(detail), Then::stay, Rung::off);
  }

  void begin_parking(Cause cause, std::string detail, Then then, Rung first, const char* doing = "switching off") {
    Parking parking;
    parking.cause = cause;
    parking.detail = std::move(detail);
    parking.then = then;
    parking.first = first;
    say(Parked{cause_text(parking), false, with_detail(parking, doing)});
    state_.phase = std::move(parking);
    // The first "off" is not held up by an identification, unless nobody knows who would hear it.
    climb(!state_.identity || cause == Cause::other_instrument ? Rung::identify : first);
  }

  void begin_round() {
    auto& parking = *get<Parking>();
    parking.round = std::min(parking.round + 1, 1'000'000'000);
    parking.seen = {};
    parking.trouble.clear();
    climb(state_.link == Link::good && state_.identity ? parking.first : Rung::identify);
  }

  void climb(Rung rung) {
    get<Parking>()->rung = rung;
    switch (rung) {
      case Rung::identify: return talk_identify();
      case Rung::off: return talk_set_output(false);
      case Rung::target: return talk_set_target(limits_.safe_c);
      case Rung::look:
      case Rung::read_off:
      case Rung::read_target: return talk_read_back();
      case Rung::pause: return;
    }
  }

  static Rung after_command(const Parking& parking) {
    return parking.rung == Rung::off ? Rung::read_off : Rung::read_target;
  }

  // The read-backs of the ladder. Each replaces what an earlier one of the round showed.
  void ladder_read(const Seen& seen) {
    auto& parking = *get<Parking>();
    parking.seen = seen;
    if (parking.rung == Rung::look) {
      if (seen.output == false) return proved("the output reads off and was never switched on");
      parking.first = Rung::off;
      return climb(Rung::off);
    }
    // A source that cannot be read has not been told either: "off" again before anything else.
    if (parking.rung == Rung::read_off) return seen.output ? climb(Rung::target) : not_proved();
    if (seen.output == false && seen.target_c && near(*seen.target_c, limits_.safe_c))
      return proved("the output reads off and the setpoint " + celsius(*seen.target_c));
    not_proved();
  }

  void not_proved() {
    auto& parking = *get<Parking>();
    say(Parked{cause_text(parking), false, unproved_text(parking)});
    parking.rung = Rung::pause;
    parking.resume_at = now_ + std::min(first_ladder_pause * parking.round, longest_ladder_pause);
  }

  void proved(const std::string& text) {
    const Parking parking = *get<Parking>();
    say(Parked{cause_text(parking), true, with_detail(parking, text)});
    if (parking.then == Then::leave) return end(0);
    state_.phase = Latched{parking.cause, parking.detail, fresh_watch()};
  }

  std::string unproved_text(const Parking& parking) const {
    std::string out = with_detail(parking, "NOT PROVED OFF after round " + std::to_string(parking.round) + ": ");
    out += parking.seen.output ? "the output reads " + on_off(*parking.seen.output) : "the output cannot be read";
    if (parking.seen.target_c) out += ", the setpoint reads " + celsius(*parking.seen.target_c);
    if (!parking.trouble.empty()) out += " (" + parking.trouble + ")";
    return out + ". Trying again; if it stays so, cut the source's power by hand";
  }

  template <class ParkingOrLatched>
  static std::string cause_text(const ParkingOrLatched& phase) {
    return phase.cause == Cause::asked ? phase.detail : std::string(name(phase.cause));
  }

  // What goes beside cause_text(), and does not say it again.
  template <class ParkingOrLatched>
  static std::string with_detail(const ParkingOrLatched& phase, const std::string& text) {
    return phase.cause == Cause::asked ? text : phase.detail + "; " + text;
  }

  void say_parked(const Latched& latched, const std::string& text) {
    say(Parked{cause_text(latched), true, with_detail(latched, text)});
  }

  void end(int code) {
    state_.phase = Left{code};
    state_.awaited = Talk::none;
    actions_.push_back(Exit{code});
  }

  // ---- actions ----

  Ticket talk(Talk kind) {
    state_.awaited = kind;
    return ++state_.ticket;
  }
  void talk_identify() { actions_.push_back(Identify{talk(Talk::identify)}); }
  void talk_set_target(double t_c) { actions_.push_back(SetTarget{talk(Talk::set_target), t_c}); }
  void talk_set_output(bool on) { actions_.push_back(SetOutput{talk(Talk::set_output), on}); }
  void talk_read_back() { actions_.push_back(ReadBackNow{talk(Talk::read_back)}); }
  bool commanding() const { return state_.awaited == Talk::set_target || state_.awaited == Talk::set_output; }

  void say(Said said) { actions_.push_back(Say{std::move(said)}); }

  Status status(const ReadBack& read) const {
    const auto* holding = std::get_if<Holding>(&state_.phase);
    return {read.target_c, read.temperature_c, read.output, holding ? to_seconds(holding->lease.ends - now_) : 0};
  }

  // ---- phases ----

  template <class P>
  bool in() const {
    return std::holds_alternative<P>(state_.phase);
  }
  template <class P>
  P* get() {
    return std::get_if<P>(&state_.phase);
  }
  Watch* watched() {
    return std::visit(Overload{[](Idle& p) { return &p.watch; }, [](Holding& p) { return &p.watch; },
                               [](Latched& p) { return &p.watch; }, [](auto&) { return static_cast<Watch*>(nullptr); }},
                      state_.phase);
  }
  Watch fresh_watch() const {
    Watch watch;
    watch.last_good = now_;
    watch.next_poll = now_ + limits_.poll;
    return watch;
  }

  static constexpr const char* found_on_text =
      "the output reads on and no lease was ever granted: somebody else switched it on";

  const Limits& limits_;
  State state_;
  Instant now_;
  std::vector<Action> actions_;
};

}  // namespace

std::string_view name(Cause cause) {
  switch (cause) {
    case Cause::asked: return "asked";
    case Cause::lease_ended: return "lease_ended";
    case Cause::daemon_gone: return "daemon_gone";
    case Cause::told_to_stop: return "told_to_stop";
    case Cause::too_hot: return "too_hot";
    case Cause::rises_while_off: return "rises_while_off";
    case Cause::not_heating: return "not_heating";
    case Cause::stale: return "stale";
    case Cause::not_as_told: return "not_as_told";
    case Cause::not_taken: return "not_taken";
    case Cause::found_on: return "found_on";
    case Cause::other_instrument: return "other_instrument";
    case Cause::malformed: return "malformed";
    case Cause::host_slept: return "host_slept";
    case Cause::unexpected: return "unexpected";
  }
  return "unexpected";
}

Result<void> check(const Limits& limits) {
  const auto bad = [](const char* detail) {
    return Error{Errc::bad_input, "checking the source's limits", detail, ""};
  };
  for (double value : {limits.lowest_c, limits.highest_c, limits.safe_c, limits.absolute_highest_c,
                       limits.heating_gain_k, limits.readback_tolerance_k})
    if (!std::isfinite(value)) return bad("a limit is not a finite number");
  if (!(limits.lowest_c < limits.highest_c)) return bad("lowest_c must lie below highest_c");
  if (!(limits.highest_c <= limits.absolute_highest_c)) return bad("absolute_highest_c must not lie below highest_c");
  if (limits.safe_c < limits.lowest_c || limits.safe_c > limits.highest_c)
    return bad("safe_c must lie between lowest_c and highest_c");
  if (!(limits.heating_gain_k > 0)) return bad("heating gain_k must be positive");
  if (!(limits.readback_tolerance_k > 0)) return bad("readback_tolerance_k must be positive");
  for (Duration time : {limits.lease, limits.poll, limits.stale, limits.heating_window})
    if (time <= Duration::zero()) return bad("lease_s, poll_s, stale_s and the heating window_s must be positive");
  if (limits.lease < 2 * limits.poll)
    return bad("lease_s must be at least twice poll_s: a lease is renewed at read-backs, and one may be missed");
  if (limits.stale <= limits.poll) return bad("stale_s must be longer than poll_s: every pause would be stale");
  return {};
}

Step step(const Limits& limits, State state, const Event& event, Instant now) {
  return Stepper(limits, std::move(state), now).run(event);
}

std::optional<Instant> next_tick(const Limits& limits, const State& state) {
  const bool free = state.awaited == Talk::none;
  const auto watched = [&](const Watch& watch) {
    const Instant stale = watch.last_good + limits.stale;
    return free ? std::min(watch.next_poll, stale) : stale;
  };
  return std::visit(Overload{[&](const Opening& p) { return free ? std::optional(p.try_at) : std::nullopt; },
                             [&](const Idle& p) { return std::optional(watched(p.watch)); },
                             [&](const Holding& p) { return std::optional(std::min(p.lease.ends, watched(p.watch))); },
                             [&](const Parking& p) {
                               std::optional<Instant> at = p.gives_up_at;
                               if (p.rung == Rung::pause) at = at ? std::min(*at, p.resume_at) : p.resume_at;
                               return at;
                             },
                             [&](const Latched& p) { return free ? std::optional(p.watch.next_poll) : std::nullopt; },
                             [&](const Left&) { return std::optional<Instant>(); }},
                    state.phase);
}

}  // namespace nightwell::guardian
