// One guardian core driven by hand: events in, the newest actions out, time as the test says.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "guardian/guard.hpp"

namespace nightwell::guardian::test {

inline Limits cold_store_limits() {
  Limits limits;
  limits.lowest_c = -40;
  limits.highest_c = 120;
  limits.safe_c = 20;
  limits.absolute_highest_c = 130;
  limits.lease = from_seconds(30);
  limits.poll = from_seconds(5);
  limits.stale = from_seconds(12);
  limits.heating_window = from_seconds(300);
  limits.heating_gain_k = 2;
  limits.readback_tolerance_k = 0.01;
  return limits;
}

class Night {
 public:
  explicit Night(Limits night_limits = cold_store_limits()) : limits(night_limits) {}

  // ---- what happens ----

  void happen(const Event& event) {
    Step made = step(limits, std::move(state), event, now);
    state = std::move(made.state);
    actions = std::move(made.actions);
    for (const Action& action : actions) all.push_back(action);
  }
  void pass(double s) { now = now + from_seconds(s); }
  void tick_after(double s) {
    pass(s);
    happen(Tick{});
  }
  void lease(double target_c, bool output = true, double highest_c = 130, double lease_s = 30) {
    happen(LeaseRequested{target_c, output, highest_c, from_seconds(lease_s)});
  }
  void identified(const std::string& text = "dry-well 1") { happen(Identified{state.ticket, text}); }
  void done() { happen(CommandDone{state.ticket}); }
  void command_fails(Errc code = Errc::no_answer) {
    happen(CommandFailed{state.ticket, Error{code, "telling", "", ""}});
  }
  void reads(double target_c, double temperature_c, bool output) {
    happen(ReadBack{state.ticket, target_c, temperature_c, output});
  }
  void read_fails(Seen seen = {}, Errc code = Errc::no_answer) {
    happen(ReadFailed{state.ticket, Error{code, "reading", "", ""}, seen});
  }

  // ---- ways to a state ----

  void to_reading() {
    happen(Tick{});
    identified();
  }
  void to_idle(double temperature_c = 22) {
    to_reading();
    reads(20, temperature_c, false);
  }
  // The lease is told and confirmed, the output on.
  void to_heating(double target_c = 80, double temperature_c = 22, double highest_c = 130) {
    to_idle(temperature_c);
    lease(target_c, true, highest_c);
    done();
    reads(target_c, temperature_c, false);
    done();
    reads(target_c, temperature_c, true);
  }
  void to_parking() {
    to_heating();
    happen(ParkRequested{"the test asks"});
  }
  // From the rung "off" to the end of the round, as a healthy source answers.
  void climb_well(double temperature_c = 60) {
    done();
    reads(80, temperature_c, false);
    done();
    reads(limits.safe_c, temperature_c, false);
  }
  void to_latched() {
    to_parking();
    climb_well();
  }

  // ---- what came of it ----

  template <class P>
  [[nodiscard]] bool in() const {
    return std::holds_alternative<P>(state.phase);
  }
  // The newest action of this kind among those of the last event.
  template <class A>
  [[nodiscard]] std::optional<A> did() const {
    std::optional<A> found;
    for (const Action& action : actions)
      if (const auto* a = std::get_if<A>(&action)) found = *a;
    return found;
  }
  template <class S>
  [[nodiscard]] std::optional<S> said() const {
    std::optional<S> found;
    for (const Action& action : actions)
      if (const auto* say = std::get_if<Say>(&action))
        if (const auto* s = std::get_if<S>(&say->said)) found = *s;
    return found;
  }
  [[nodiscard]] bool told_nothing() const { return !did<SetTarget>() && !did<SetOutput>(); }
  [[nodiscard]] bool tells_off() const {
    const auto output = did<SetOutput>();
    return output && !output->on;
  }
  // Parking has just begun, for this cause.
  [[nodiscard]] bool parks_for(Cause cause) const {
    const auto parked = said<Parked>();
    return in<Parking>() && std::get<Parking>(state.phase).cause == cause && parked && !parked->confirmed &&
           parked->cause == name(cause);
  }
  [[nodiscard]] std::optional<int> exits() const {
    const auto exit = did<Exit>();
    return exit ? std::optional(exit->code) : std::nullopt;
  }

  Limits limits;
  State state;
  Instant now;
  std::vector<Action> actions;  // of the last event
  std::vector<Action> all;
};

}  // namespace nightwell::guardian::test
