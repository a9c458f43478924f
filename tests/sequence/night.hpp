// A night without instruments: the sequencer on virtual time, its sweeps answered by a simple source and
// probes.
#pragma once

#include <cmath>
#include <functional>
#include <map>
#include <utility>

#include "sequence/sequencer.hpp"
#include "support/plans.hpp"

namespace nightwell::tests {

struct Night {
  sequence::Plan plan;
  sequence::Run run;
  Instant now;
  std::vector<sequence::Event> events;    // all that was fed
  std::vector<sequence::Action> actions;  // all that was asked
  std::vector<double> source_c;           // per source, what is in it
  std::vector<double> target_c;
  std::vector<bool> output;
  double time_constant_s = 120;
  // What a channel reads where its source is at t_c; a test bends it to break a sensor.
  std::function<sequence::ChannelReading(std::size_t channel, Instant at, double t_c)> read;
  std::function<void(Night&)> each_second;  // a test's own events

  explicit Night(sequence::Plan p) : plan(std::move(p)), run(sequence::begin(plan)) {
    source_c.assign(plan.sources.size(), 20.0);
    target_c.assign(plan.sources.size(), 20.0);
    output.assign(plan.sources.size(), false);
    read = [](std::size_t channel, Instant at, double t_c) {
      return sequence::ChannelReading{channel, at, t_c, std::nullopt, ""};
    };
  }

  template <class What>
  std::vector<sequence::Action> feed(What what) {
    const sequence::Event event{now, std::move(what)};
    events.push_back(event);
    auto stepped = sequence::step(plan, std::move(run), event);
    run = std::move(stepped.run);
    for (const auto& action : stepped.actions) {
      actions.push_back(action);
      carry_out(action);
    }
    return stepped.actions;
  }

  // Goes on until the run is in that phase: false where six hours do not bring it there.
  [[nodiscard]] bool reach(sequence::Phase wanted) {
    for (int second = 0; second < 6 * 3600 && phase(run) != wanted; ++second) pass(Duration{1'000'000});
    return phase(run) == wanted;
  }

  // Goes on for `length`, a second at a time, or until the run is over.
  void pass(Duration length) {
    const Instant end = now + length;
    while (now < end && !closed()) {
      now = now + Duration{1'000'000};
      for (std::size_t s = 0; s < source_c.size(); ++s) {
        const double goal_c = output[s] ? target_c[s] : 20.0;
        source_c[s] += (goal_c - source_c[s]) * (1 - std::exp(-1.0 / time_constant_s));
      }
      if (sweep_) finish_sweep();
      if (now.since_open.count() % 5'000'000 == 0)
        for (std::size_t s = 0; s < source_c.size(); ++s)
          if (!plan.sources[s].attended && !closed())
            feed(sequence::SourceRead{s, target_c[s], source_c[s], output[s], 0});
      if (const auto wake = sequence::wake_at(plan, run); wake && *wake <= now && !closed()) feed(sequence::Tick{});
      if (each_second) each_second(*this);
    }
  }

  void open() { feed(sequence::Opened{}); }

  [[nodiscard]] bool closed() const { return find<sequence::Close>() != nullptr; }

  template <class T>
  [[nodiscard]] const T* find() const {
    for (const auto& action : actions)
      if (const auto* found = std::get_if<T>(&action)) return found;
    return nullptr;
  }
  template <class T>
  [[nodiscard]] std::vector<T> all() const {
    std::vector<T> out;
    for (const auto& action : actions)
      if (const auto* found = std::get_if<T>(&action)) out.push_back(*found);
    return out;
  }

 private:
  void carry_out(const sequence::Action& action) {
    if (const auto* command = std::get_if<sequence::Command>(&action)) {
      target_c[command->source] = command->target_c;
      output[command->source] = command->output;
    } else if (const auto* sweep = std::get_if<sequence::StartSweep>(&action)) {
      sweep_ = *sweep;
      sweep_started_ = now;
    } else if (std::holds_alternative<sequence::ParkAll>(action)) {
      for (std::size_t s = 0; s < output.size(); ++s) output[s] = false;
    }
  }

  void finish_sweep() {
    const auto sweep = *std::exchange(sweep_, std::nullopt);
    sequence::SweepFinished finished{sweep.sweep, sweep_started_, {}};
    const auto at = sequence::plateau(run);
    const std::size_t source = at ? plan.plateaus[*at].source : 0;
    const double t_c = source < source_c.size() ? source_c[source] : 20.0;
    for (const std::size_t channel : sweep.visits) finished.readings.push_back(read(channel, now, t_c));
    feed(std::move(finished));
  }

  std::optional<sequence::StartSweep> sweep_;
  Instant sweep_started_;
};

}  // namespace nightwell::tests
