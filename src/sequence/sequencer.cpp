#include "sequence/sequencer.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <utility>

#include "sequence/conversion.hpp"
#include "sequence/reading_order.hpp"
#include "sequence/survey.hpp"

namespace nightwell::sequence {

namespace {

constexpr int preflight_tries = 3;

// A reading this far beyond a limit counts at once; nearer, two in a row are needed: a burst of noise must
// not end a night (heat rule H3).
constexpr double far_beyond_k = 5.0;

// A gap of more than this many sampling intervals restarts the settle window.
constexpr int largest_gap_intervals = 3;

std::string fixed(double value, int decimals) {
  char text[64];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, decimals).ptr};
}

std::string minutes(Duration d) {
  return fixed(to_seconds(d) / 60, 1) + " min";
}

template <class... Visitors>
struct Overloaded : Visitors... {
  using Visitors::operator()...;
};

bool needs_items(const Plateau& plateau) {
  return plateau.capture.placement == Placement::inside || plateau.settle.item_drift_k.has_value();
}

// One step: the run being changed, and what it asks for.
class Step {
 public:
  Step(const Plan& plan, Run run, Instant now) : plan_(plan), run_(std::move(run)), now_(now) {}

  Stepped take(const Event& event) {
    std::visit([this](const auto& what) { on(what); }, event.what);
    check_time();
    sample();
    return {std::move(run_), std::move(actions_)};
  }

 private:
  // ---- events ----

  void on(const Opened&) {
    if (!std::holds_alternative<Opening>(run_.state)) return;
    if (plan_.survey) {
      enter(Surveying{now_, std::vector<std::vector<double>>(plan_.channels.size()),
                      std::vector<std::vector<ReadingFault>>(plan_.channels.size())},
            "survey");
    } else {
      enter(Preflight{}, "every instrument answered");
    }
  }

  void on(const SweepFinished& sweep) {
    if (!run_.sweeping || run_.sweeping->sweep != sweep.sweep) return;
    const StartSweep asked = *std::exchange(run_.sweeping, std::nullopt);
    if (terminal(run_)) return;
    std::vector<std::optional<double>> known_c;
    for (const auto& channel : run_.channels) known_c.push_back(channel.t_c);
    const auto readings = convert(plan_, sweep.readings, std::move(known_c));
    remember(readings);
    if (guard_limits(readings)) return;
    set_due(asked, sweep.started);
    std::visit([&](auto& state) { swept(state, asked, sweep.started, readings); }, run_.state);
  }

  void on(const SourceRead& read) {
    auto& source = run_.sources[read.source];
    source.seen = true;
    source.target_c = read.target_c;
    source.temperature_c = read.temperature_c;
    source.output = read.output;
    source.lease_left_s = read.lease_left_s;
    source.at = now_;
    if (std::holds_alternative<Cooldown>(run_.state)) check_cooldown();
  }

  void on(const SourceParked& parked) {
    if (auto* state = std::get_if<Parked>(&run_.state)) {
      state->confirmed[parked.source] = parked.confirmed || parked.untouched;
      state->untouched = state->untouched || parked.untouched;
      close_if_all_parked();
      return;
    }
    if (terminal(run_)) return;
    // The guardian's sentence; its word for the cause stands in the record `park`.
    park(plan_.sources[parked.source].name +
         " was parked by its guardian: " + (parked.text.empty() ? parked.cause : parked.text));
    if (auto* state = std::get_if<Parked>(&run_.state)) {
      state->confirmed[parked.source] = parked.confirmed || parked.untouched;
      state->untouched = state->untouched || parked.untouched;
      close_if_all_parked();
    }
  }

  void on(const PersonAsked& asked) {
    if (!allows(run_, asked.request)) return;
    const std::string why = asked.who + " asked" + (asked.why.empty() ? "" : ": " + asked.why);
    switch (asked.request) {
      case Request::hold: enter(Held{*plateau(run_), now_}, why); return;
      case Request::resume: begin_plateau(*plateau(run_), why); return;
      case Request::skip: skip(why); return;
      case Request::stop: enter_cooldown(Ending::stopped, why); return;
      case Request::park: park(why); return;
      case Request::ready: ready(why); return;
    }
  }

  void on(const Failed& failed) {
    if (!terminal(run_)) park(failed.cause);
  }

  void on(const Tick&) {}

  // ---- what a finished sweep means in each state ----

  template <class State>
  void swept(State&, const StartSweep&, Instant, const std::vector<ConvertedReading>&) {}

  void swept(Preflight& state, const StartSweep&, Instant, const std::vector<ConvertedReading>& readings) {
    for (const auto& reading : readings) {
      const auto& channel = plan_.channels[reading.channel];
      if (channel.role != Role::reference || reading.t_c) continue;
      if (++state.tries < preflight_tries) return;
      park("preflight: reference " + channel.name + " gives no temperature (" + reading.fault->text +
           "); nothing was heated");
      return;
    }
    for (const std::size_t item : channels_with(plan_, Role::item))
      if (!run_.channels[item].fault.empty()) leave_out(item);
    if (items_in_use().empty()) {
      park("preflight: no item gives a temperature; nothing was heated");
      return;
    }
    begin_plateau(0, "preflight passed");
  }

  void swept(Approach& state, const StartSweep&, Instant, const std::vector<ConvertedReading>& readings) {
    const auto reference = mean_reference(plan_, readings);
    if (!reference) return;
    const Plateau& plateau = plan_.plateaus[state.plateau];
    if (in_band(plateau, reference->t_c)) {
      Settle settle{state.plateau, now_, SettleWindow{plateau.settle, largest_gap(plateau)}, {}, {}};
      settle.window.add_reference(reference->at, reference->t_c);
      enter(std::move(settle), "reference came within the band, at " + fixed(reference->t_c, 3) + " °C");
      run_.sweep_due = now_;
      return;
    }
    guard_heating(state, plateau, *reference);
  }

  void swept(Settle& state, const StartSweep& asked, Instant started, const std::vector<ConvertedReading>& readings) {
    const auto reference = mean_reference(plan_, readings);
    if (!reference) return;
    const Plateau& plateau = plan_.plateaus[state.plateau];
    if (!in_band(plateau, reference->t_c)) {
      state.window.restart("reference left the band");
      state.sweeps.clear();
      state.sweep_starts.clear();
      return;
    }
    state.window.add_reference(reference->at, reference->t_c);
    for (const std::size_t item : items_in_use())
      if (const auto mean = mean_of(readings, item)) state.window.add_item(item, mean->at, mean->t_c - reference->t_c);
    if (asked.purpose == SweepPurpose::window) {
      state.sweeps.push_back(asked.sweep);
      state.sweep_starts.push_back(started);
    }
    const WindowFacts facts = state.window.facts(items_in_use());
    if (!facts.steady) return;
    if (plateau.capture.placement == Placement::after) {
      begin_capture(state.plateau, true, "settle rule met", facts, state.since);
    } else {
      close_inside(state, plateau, facts);
    }
  }

  void swept(Capture& state, const StartSweep& asked, Instant, const std::vector<ConvertedReading>& readings) {
    if (asked.purpose != SweepPurpose::capture) return;
    const Plateau& plateau = plan_.plateaus[state.plateau];
    const auto reference = mean_reference(plan_, readings);
    if (state.settled && (!reference || !in_band(plateau, reference->t_c))) {
      discard_capture(state, plateau, reference.has_value());
      return;
    }
    if (!state.first_sweep) state.first_sweep = asked.sweep;
    if (++state.done < plateau.capture.sweeps) return;
    close_plateau(state.plateau, state.settled ? Outcome::settled : Outcome::not_settled, state.first_sweep,
                  asked.sweep, state.window, state.why);
  }

  void swept(Surveying& state, const StartSweep&, Instant, const std::vector<ConvertedReading>& readings) {
    for (const auto& reading : readings) {
      if (reading.t_c)
        state.read_c[reading.channel].push_back(*reading.t_c);
      else
        state.faults[reading.channel].push_back(*reading.fault);
    }
    if (now_ - state.since < plan_.survey->lasts) return;
    act(SurveyDone{survey_findings(plan_, state.read_c, state.faults)});
    finish(Ending::finished, "survey done");
  }

  // ---- moving on ----

  // Enters a state; the phase record comes before whatever the state asks for.
  void enter(State state, std::string why) {
    run_.state = std::move(state);
    run_.phase_since = now_;
    const auto at = plateau(run_);
    const std::optional<double> setpoint_c = at ? std::optional<double>(plan_.plateaus[*at].setpoint_c) : std::nullopt;
    act(PhaseChanged{phase(run_), at, setpoint_c, std::move(why)});
  }

  void begin_plateau(std::size_t index, const std::string& why) {
    if (index >= plan_.plateaus.size()) {
      enter_cooldown(Ending::finished, "every plateau is done");
      return;
    }
    if (!run_.plateaus_since) run_.plateaus_since = now_;
    const Plateau& plateau = plan_.plateaus[index];
    const Source& source = plan_.sources[plateau.source];
    run_.sources[plateau.source].used = true;
    if (source.attended) {
      const std::string text = "set " + source.name + " to " + fixed(plateau.setpoint_c, 2) + " °C, then say ready";
      enter(Waiting{index, text}, why);
      switch_off_others(plateau.source);
      act(AskPerson{plateau.source, plateau.setpoint_c, text});
      return;
    }
    enter(Approach{index, now_, std::nullopt, 0}, why);
    switch_off_others(plateau.source);
    command(plateau.source, plateau.setpoint_c, true, "plateau " + std::to_string(index + 1));
  }

  // A source that waits for its next plateau does not heat.
  void switch_off_others(std::size_t in_use) {
    for (std::size_t s = 0; s < plan_.sources.size(); ++s) {
      const auto& told = run_.sources[s].told;
      if (s != in_use && told && told->output) command(s, plan_.sources[s].safe_c, false, "another source is in use");
    }
  }

  void begin_capture(std::size_t index, bool settled, std::string why, std::optional<WindowFacts> facts,
                     Instant settling_since) {
    Capture capture;
    capture.plateau = index;
    capture.since = now_;
    capture.settled = settled;
    capture.why = why;
    capture.window = std::move(facts);
    capture.settling_since = settling_since;
    enter(std::move(capture), std::move(why));
    run_.sweep_due = now_;
  }

  // The proof and the capture are the same sweeps: the last of the window, as many as the profile asks.
  void close_inside(const Settle& state, const Plateau& plateau, const WindowFacts& facts) {
    const auto wanted = static_cast<std::size_t>(plateau.capture.sweeps);
    if (state.sweeps.size() < wanted) return;
    const std::size_t first = state.sweeps.size() - wanted;
    if (state.sweep_starts[first] < facts.from) return;
    close_plateau(state.plateau, Outcome::settled, state.sweeps[first], state.sweeps.back(), facts,
                  "settle rule met over the sweeps themselves");
  }

  void discard_capture(const Capture& state, const Plateau& plateau, bool read) {
    const std::string why = read ? "the reference left the band" : "a reference was not read";
    act(Note{"capture discarded: " + why});
    Settle settle{state.plateau, state.settling_since, SettleWindow{plateau.settle, largest_gap(plateau)}, {}, {}};
    settle.window.restart(why + " during the capture");
    enter(std::move(settle), why + " during the capture");
  }

  void close_plateau(std::size_t index, Outcome outcome, std::optional<std::uint64_t> first,
                     std::optional<std::uint64_t> last, std::optional<WindowFacts> window, const std::string& why) {
    PlateauClosed closed{index, plan_.plateaus[index].setpoint_c, outcome, first, last, std::move(window), why, now_};
    run_.closed.push_back(closed);
    act(std::move(closed));
    begin_plateau(index + 1, "plateau " + std::to_string(index + 1) + " is " + std::string(name(outcome)));
  }

  void skip(const std::string& why) {
    if (auto* cooling = std::get_if<Cooldown>(&run_.state)) {
      leave_now(*cooling, why);
      return;
    }
    close_plateau(*plateau(run_), Outcome::skipped, std::nullopt, std::nullopt, std::nullopt, why);
  }

  void ready(const std::string& why) {
    if (auto* cooling = std::get_if<Cooldown>(&run_.state)) {
      cooling->asked_person = false;
      check_cooldown();
      return;
    }
    const std::size_t index = *plateau(run_);
    enter(Approach{index, now_, std::nullopt, 0}, why);
  }

  // ---- the end ----

  void enter_cooldown(Ending ending, const std::string& why) {
    const bool was_surveying = std::holds_alternative<Surveying>(run_.state);
    Cooldown cooldown{now_, ending, why, false};
    for (std::size_t s = 0; s < plan_.sources.size(); ++s)
      if (plan_.sources[s].attended && run_.sources[s].used) cooldown.asked_person = true;
    if (was_surveying || !anything_used()) {
      finish(ending, why);
      return;
    }
    enter(std::move(cooldown), why);
    for (std::size_t s = 0; s < plan_.sources.size(); ++s) {
      const Source& source = plan_.sources[s];
      if (!run_.sources[s].used) continue;
      if (source.attended) {
        act(AskPerson{s, std::nullopt,
                      "bring " + source.name + " to a safe temperature, switch it off, then say ready"});
      } else if (run_.sources[s].told && run_.sources[s].told->output) {
        command(s, std::clamp(plan_.cooldown.target_c, source.lowest_c, source.highest_c), true, "cooldown");
      }
    }
    check_cooldown();
  }

  [[nodiscard]] bool anything_used() const {
    return std::any_of(run_.sources.begin(), run_.sources.end(), [](const auto& s) { return s.used; });
  }

  // Safe to leave: output off first, then the read-back that proves it.
  void check_cooldown() {
    auto& state = std::get<Cooldown>(run_.state);
    bool all_off = !state.asked_person;
    for (std::size_t s = 0; s < plan_.sources.size(); ++s) {
      auto& source = run_.sources[s];
      if (!source.used || plan_.sources[s].attended || !source.told) continue;
      if (source.told->output) {
        const bool safe = source.seen && source.at > state.since &&
                          source.temperature_c >= plan_.cooldown.leave_between_low_c &&
                          source.temperature_c <= plan_.cooldown.leave_between_high_c;
        if (safe) command(s, plan_.sources[s].safe_c, false, "safe to leave");
        all_off = false;
      } else if (source.output || source.at <= source.told_at) {
        all_off = false;
      }
    }
    if (all_off) finish(state.ending, std::string(state.why));
  }

  void leave_now(Cooldown& state, const std::string& why) {
    act(Note{"leaving before the source is at a safe temperature: " + why});
    state.since = now_;
    for (std::size_t s = 0; s < plan_.sources.size(); ++s)
      if (run_.sources[s].told && run_.sources[s].told->output) command(s, plan_.sources[s].safe_c, false, why);
  }

  void finish(Ending ending, const std::string& why) {
    if (ending == Ending::finished)
      enter(Finished{}, why);
    else
      enter(Stopped{}, why);
    act(Close{ending, why});
  }

  void park(const std::string& cause) {
    Parked parked{cause, std::vector<bool>(plan_.sources.size(), false), ""};
    enter(std::move(parked), cause);
    act(ParkAll{cause});
    for (std::size_t s = 0; s < plan_.sources.size(); ++s)
      if (plan_.sources[s].attended && run_.sources[s].used)
        act(AskPerson{s, std::nullopt, "switch " + plan_.sources[s].name + " off by hand now: " + cause});
    close_if_all_parked();
  }

  void close_if_all_parked() {
    const auto& state = std::get<Parked>(run_.state);
    for (std::size_t s = 0; s < plan_.sources.size(); ++s)
      if (!plan_.sources[s].attended && !state.confirmed[s]) return;
    act(Close{Ending::parked, state.cause});
  }

  // ---- readings and guards ----

  void remember(const std::vector<ConvertedReading>& readings) {
    for (const auto& reading : readings) {
      auto& seen = run_.channels[reading.channel];
      seen.at = reading.at;
      if (reading.t_c) {
        seen.t_c = reading.t_c;
        seen.fault.clear();
        seen.faults_in_a_row = 0;
        continue;
      }
      seen.fault = reading.fault->text;
      ++seen.faults_in_a_row;
      const bool item = plan_.channels[reading.channel].role == Role::item;
      if (item && seen.faults_in_a_row >= faults_to_leave_out && !plan_.survey) leave_out(reading.channel);
    }
    if (const auto reference = mean_reference(plan_, readings)) {
      run_.reference_c = reference->t_c;
      run_.reference_good_at = now_;
    }
  }

  void leave_out(std::size_t item) {
    auto& seen = run_.channels[item];
    if (seen.left_out) return;
    seen.left_out = true;
    act(LeftOut{item, seen.fault});
    if (auto* settle = std::get_if<Settle>(&run_.state)) settle->window.leave_out(item);
  }

  [[nodiscard]] std::vector<std::size_t> items_in_use() const {
    std::vector<std::size_t> out;
    for (const std::size_t item : channels_with(plan_, Role::item))
      if (!run_.channels[item].left_out) out.push_back(item);
    return out;
  }

  // Absolute limits of references and items: the card's own and the profile's. True if it parked.
  bool guard_limits(const std::vector<ConvertedReading>& readings) {
    if (plan_.survey) return false;
    for (const auto& reading : readings) {
      if (!reading.t_c) continue;
      const Channel& channel = plan_.channels[reading.channel];
      if (channel.role == Role::junction) continue;
      const bool reference = channel.role == Role::reference;
      const Guards& guards = plan_.guards;
      const double low_c =
          std::max(channel.card.lowest_c,
                   (reference ? guards.reference_lowest_c : guards.item_lowest_c).value_or(channel.card.lowest_c));
      const double high_c =
          std::min(channel.card.highest_c,
                   (reference ? guards.reference_highest_c : guards.item_highest_c).value_or(channel.card.highest_c));
      const double beyond_k = std::max(low_c - *reading.t_c, *reading.t_c - high_c);
      auto& seen = run_.channels[reading.channel];
      seen.beyond_in_a_row = beyond_k > 0 ? seen.beyond_in_a_row + 1 : 0;
      if (beyond_k > far_beyond_k || seen.beyond_in_a_row >= 2) {
        guard(reference ? "reference_limit" : "item_limit", channel.name + " reads " + fixed(*reading.t_c, 2) +
                                                                " °C, allowed " + fixed(low_c, 2) + " to " +
                                                                fixed(high_c, 2) + " °C");
        return true;
      }
    }
    return false;
  }

  // A heater that is on must be seen to heat.
  void guard_heating(Approach& state, const Plateau& plateau, const MeanReading& reference) {
    const Guards& guards = plan_.guards;
    const bool heating = !plan_.sources[plateau.source].attended && guards.heating_window.count() > 0 &&
                         plateau.setpoint_c - reference.t_c > plateau.band_k + guards.heating_gain_k;
    if (!heating) {
      state.heating_since.reset();
      return;
    }
    if (!state.heating_since || reference.t_c - state.heating_from_c >= guards.heating_gain_k) {
      state.heating_since = now_;
      state.heating_from_c = reference.t_c;
      return;
    }
    if (now_ - *state.heating_since > guards.heating_window)
      guard("not_heating", "the output is on, but the reference gained only " +
                               fixed(reference.t_c - state.heating_from_c, 3) + " K in " +
                               minutes(now_ - *state.heating_since) + ", expected " + fixed(guards.heating_gain_k, 2) +
                               " K");
  }

  void guard(const std::string& which, const std::string& text) {
    act(GuardCrossed{which, text});
    park(text);
  }

  // ---- time ----

  void check_time() {
    if (terminal(run_) || plan_.survey || std::holds_alternative<Opening>(run_.state)) return;
    if (!std::holds_alternative<Preflight>(run_.state) && now_ - run_.reference_good_at > plan_.guards.stale) {
      guard("reference_stale", "no good reference reading for " + minutes(now_ - run_.reference_good_at));
      return;
    }
    std::visit(Overloaded{[&](Approach& s) {
                            const PhaseLimit limit = plan_.plateaus[s.plateau].approach_limit;
                            if (now_ - s.since > limit.within)
                              limit_passed(s.plateau, limit, "approach", std::nullopt, now_);
                          },
                          [&](Settle& s) {
                            const PhaseLimit limit = plan_.plateaus[s.plateau].settle_limit;
                            if (now_ - s.since > limit.within)
                              limit_passed(s.plateau, limit, "settle", s.window.facts(items_in_use()), s.since);
                          },
                          [&](Capture& s) {
                            const PhaseLimit limit = plan_.plateaus[s.plateau].capture_limit;
                            if (now_ - s.since > limit.within)
                              limit_passed(s.plateau, limit, "capture", s.window, s.since);
                          },
                          [&](Held& s) { check_held(s); }, [&](Cooldown& s) { check_cooldown_limit(s); }, [](auto&) {}},
               run_.state);
  }

  void limit_passed(std::size_t index, PhaseLimit limit, const std::string& which, std::optional<WindowFacts> facts,
                    Instant settling_since) {
    std::string why = which + " took more than " + minutes(limit.within);
    if (facts && !facts->holding.empty()) why += " (" + facts->holding + ")";
    switch (limit.otherwise) {
      case LimitPolicy::park: park(why); return;
      case LimitPolicy::stop: enter_cooldown(Ending::stopped, why); return;
      case LimitPolicy::skip:
        close_plateau(index, Outcome::skipped, std::nullopt, std::nullopt, std::move(facts), why);
        return;
      case LimitPolicy::capture: begin_capture(index, false, why, std::move(facts), settling_since); return;
    }
  }

  void check_held(Held& state) {
    if (state.heat_off || now_ - state.since <= held_heating_limit) return;
    state.heat_off = true;
    act(Note{"held for more than " + minutes(held_heating_limit) + ": heat goes off until somebody resumes"});
    for (std::size_t s = 0; s < plan_.sources.size(); ++s)
      if (run_.sources[s].told && run_.sources[s].told->output)
        command(s, plan_.sources[s].safe_c, false, "held too long");
  }

  void check_cooldown_limit(Cooldown& state) {
    if (now_ - state.since <= plan_.cooldown.limit.within) return;
    const std::string why = "cooldown took more than " + minutes(plan_.cooldown.limit.within);
    if (plan_.cooldown.limit.otherwise == LimitPolicy::stop && any_output_told()) {
      leave_now(state, why);
      return;
    }
    park(why);
  }

  [[nodiscard]] bool any_output_told() const {
    return std::any_of(run_.sources.begin(), run_.sources.end(),
                       [](const auto& s) { return s.told && s.told->output; });
  }

  // ---- sampling ----

  void set_due(const StartSweep& asked, Instant started) {
    if (asked.purpose == SweepPurpose::capture || asked.purpose == SweepPurpose::window) {
      run_.sweep_due = now_ + plan_.plateaus[*asked.plateau].capture.pause;
    } else if (asked.purpose == SweepPurpose::survey) {
      run_.sweep_due = started + plan_.survey->every;
    } else {
      run_.sweep_due = started + plan_.sampling.every;
    }
  }

  void sample() {
    if (run_.sweeping || now_ < run_.sweep_due) return;
    std::visit(
        Overloaded{
            [&](const Preflight&) { start(SweepPurpose::preflight, ReadingOrder::straight, std::nullopt); },
            [&](const Waiting& s) { watch(s.plateau); }, [&](const Approach& s) { watch(s.plateau); },
            [&](const Held& s) { watch(s.plateau); }, [&](const Cooldown&) { watch(std::nullopt); },
            [&](const Settle& s) {
              const Plateau& plateau = plan_.plateaus[s.plateau];
              if (needs_items(plateau))
                start(SweepPurpose::window, plateau.capture.order, s.plateau);
              else
                watch(s.plateau);
            },
            [&](const Capture& s) { start(SweepPurpose::capture, plan_.plateaus[s.plateau].capture.order, s.plateau); },
            [&](const Surveying&) { start(SweepPurpose::survey, ReadingOrder::straight, std::nullopt); },
            [](const auto&) {}},
        run_.state);
  }

  void watch(std::optional<std::size_t> plateau) {
    if (now_ >= run_.items_due) {
      run_.items_due = now_ + plan_.sampling.items_every;
      start(SweepPurpose::watch, ReadingOrder::straight, plateau);
      return;
    }
    StartSweep sweep{run_.next_sweep++, SweepPurpose::watch, std::string(references_order), plateau,
                     reference_visits(plan_)};
    run_.sweeping = sweep;
    act(std::move(sweep));
  }

  void start(SweepPurpose purpose, ReadingOrder order, std::optional<std::size_t> plateau) {
    StartSweep sweep{run_.next_sweep++, purpose, std::string(name(order)), plateau, visits(plan_, order)};
    run_.sweeping = sweep;
    act(std::move(sweep));
  }

  // ---- small things ----

  void command(std::size_t source, double target_c, bool output, std::string why) {
    Command command{source, target_c, output, std::move(why)};
    run_.sources[source].told = command;
    run_.sources[source].told_at = now_;
    act(std::move(command));
  }

  [[nodiscard]] static bool in_band(const Plateau& plateau, double t_c) {
    return std::abs(t_c - plateau.setpoint_c) <= plateau.band_k;
  }

  // Sweeps of all channels may take long; what counts as a gap grows with them.
  [[nodiscard]] Duration largest_gap(const Plateau& plateau) const {
    return std::max(plan_.sampling.every * largest_gap_intervals, plateau.settle.window / 4);
  }

  void act(Action action) { actions_.push_back(std::move(action)); }

  const Plan& plan_;
  Run run_;
  Instant now_;
  std::vector<Action> actions_;
};

}  // namespace

Run begin(const Plan& plan) {
  Run run;
  run.channels.resize(plan.channels.size());
  run.sources.resize(plan.sources.size());
  return run;
}

Stepped step(const Plan& plan, Run run, const Event& event) {
  return Step(plan, std::move(run), event.at).take(event);
}

bool allows(const Run& run, Request request) {
  const bool on_the_way = plateau(run).has_value();
  const bool held = std::holds_alternative<Held>(run.state);
  const auto* cooling = std::get_if<Cooldown>(&run.state);
  switch (request) {
    case Request::hold: return on_the_way && !held;
    case Request::resume: return held;
    case Request::skip: return on_the_way || (cooling && !cooling->asked_person);
    case Request::stop: return !terminal(run) && !cooling;
    case Request::park: return !terminal(run);
    case Request::ready: return std::holds_alternative<Waiting>(run.state) || (cooling && cooling->asked_person);
  }
  return false;
}

std::optional<Instant> wake_at(const Plan& plan, const Run& run) {
  if (terminal(run) || std::holds_alternative<Opening>(run.state)) return std::nullopt;
  constexpr Duration just_after{1};  // limits are crossed when more than their time has passed
  std::optional<Instant> wake;
  const auto by = [&wake](Instant at) { wake = wake ? std::min(*wake, at) : at; };
  if (!run.sweeping) by(run.sweep_due);
  if (plan.survey) return wake;
  if (!std::holds_alternative<Preflight>(run.state)) by(run.reference_good_at + plan.guards.stale + just_after);
  std::visit(
      Overloaded{[&](const Approach& s) { by(s.since + plan.plateaus[s.plateau].approach_limit.within + just_after); },
                 [&](const Settle& s) { by(s.since + plan.plateaus[s.plateau].settle_limit.within + just_after); },
                 [&](const Capture& s) { by(s.since + plan.plateaus[s.plateau].capture_limit.within + just_after); },
                 [&](const Held& s) {
                   if (!s.heat_off) by(s.since + held_heating_limit + just_after);
                 },
                 [&](const Cooldown& s) { by(s.since + plan.cooldown.limit.within + just_after); }, [](const auto&) {}},
      run.state);
  return wake;
}

Phase phase(const Run& run) {
  return std::visit(
      Overloaded{[](const Opening&) { return Phase::opening; }, [](const Preflight&) { return Phase::preflight; },
                 [](const Waiting&) { return Phase::waiting; }, [](const Approach&) { return Phase::approach; },
                 [](const Settle&) { return Phase::settle; }, [](const Capture&) { return Phase::capture; },
                 [](const Surveying&) { return Phase::capture; }, [](const Cooldown&) { return Phase::cooldown; },
                 [](const Held&) { return Phase::held; }, [](const Parked&) { return Phase::parked; },
                 [](const Finished&) { return Phase::finished; }, [](const Stopped&) { return Phase::stopped; }},
      run.state);
}

bool terminal(const Run& run) {
  return std::holds_alternative<Parked>(run.state) || std::holds_alternative<Finished>(run.state) ||
         std::holds_alternative<Stopped>(run.state);
}

std::optional<std::size_t> plateau(const Run& run) {
  using Index = std::optional<std::size_t>;
  return std::visit(
      Overloaded{
          [](const Waiting& s) -> Index { return s.plateau; }, [](const Approach& s) -> Index { return s.plateau; },
          [](const Settle& s) -> Index { return s.plateau; }, [](const Capture& s) -> Index { return s.plateau; },
          [](const Held& s) -> Index { return s.plateau; }, [](const auto&) -> Index { return std::nullopt; }},
      run.state);
}

}  // namespace nightwell::sequence
