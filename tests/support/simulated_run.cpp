#include "support/simulated_run.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <deque>

#include "daemon/records.hpp"
#include "journal/writer.hpp"

namespace nightwell::tests {

namespace {

using namespace sequence;  // NOLINT: this file speaks the sequencer's language throughout

constexpr Duration longest_run = std::chrono::days{30};

// 2026-11-25T20:00:00Z and so much later.
std::string utc_at(Instant at) {
  using namespace std::chrono;
  const sys_time<microseconds> moment = sys_days{2026y / November / 25} + hours{20} + at.since_open;
  const auto day = floor<days>(moment);
  const year_month_day date(day);
  const hh_mm_ss time(moment - day);
  std::array<char, 64> text{};
  std::snprintf(text.data(), text.size(), "%04d-%02u-%02uT%02d:%02d:%02d.%06dZ", static_cast<int>(date.year()),
                static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
                static_cast<int>(time.hours().count()), static_cast<int>(time.minutes().count()),
                static_cast<int>(time.seconds().count()), static_cast<int>(time.subseconds().count()));
  return text.data();
}

class SimulatedSource {
 public:
  SimulatedSource(double room_c, double time_constant_s)
      : room_c_(room_c), time_constant_s_(time_constant_s), from_c_(room_c), target_c_(room_c) {}

  [[nodiscard]] double at(Instant now) const {
    const double goal_c = output_ ? target_c_ : room_c_;
    return goal_c + (from_c_ - goal_c) * std::exp(-to_seconds(now - since_) / time_constant_s_);
  }
  void tell(Instant now, double target_c, bool output) {
    from_c_ = at(now);
    since_ = now;
    target_c_ = target_c;
    output_ = output;
  }
  [[nodiscard]] double target_c() const { return target_c_; }
  [[nodiscard]] bool output() const { return output_; }

 private:
  double room_c_, time_constant_s_;
  double from_c_, target_c_;
  Instant since_;
  bool output_ = false;
};

class Simulation {
 public:
  Simulation(const Plan& plan, const SimulatedBench& bench, journal::Writer writer)
      : plan_(plan),
        bench_(bench),
        writer_(std::move(writer)),
        run_(begin(plan)),
        source_(bench.room_c, bench.time_constant_s) {}

  Result<SimulatedRun> to_its_end() && {
    for (const auto& text : daemon::opening_records(plan_, {"simulated-run", "a-host", "a-boot", 1})) record(text);
    for (const auto& scanner : plan_.scanners)
      record({"identity", {{"instrument", scanner.name}, {"text", "a simulated scanner"}}});
    for (const auto& source : plan_.sources)
      record({"identity", {{"instrument", source.name}, {"text", "a simulated source"}}});
    feed(Opened{});
    while (!closed_ && !error_) {
      if (now_.since_open > longest_run)
        return Error{Errc::unexpected, "simulating a run", "it has not closed after 30 days", ""};
      next();
    }
    if (error_) return *error_;
    out_.length = now_.since_open;
    return out_;
  }

 private:
  // Whatever comes first: a sweep's end, the source's next read-back, or a moment that the sequencer waits for.
  void next() {
    const auto wake = wake_at(plan_, run_);
    const auto poll = plan_.sources.empty() ? std::nullopt : std::optional(next_poll_);
    std::optional<Instant> first;
    for (const auto& one : {sweep_end_, poll, wake})
      if (one && (!first || *one < *first)) first = one;
    now_ = std::max(now_, first.value_or(now_ + std::chrono::seconds{1}));
    if (sweep_end_ && *sweep_end_ == now_) return finish_sweep();
    if (poll && *poll == now_) {
      next_poll_ = now_ + plan_.sources[0].poll;
      return feed(SourceRead{0, source_.target_c(), source_.at(now_), source_.output(), 0});
    }
    feed(Tick{});
  }

  void finish_sweep() {
    sweep_end_.reset();
    SweepFinished finished{sweep_.sweep, sweep_started_, {}};
    for (std::size_t i = 0; i < sweep_.visits.size(); ++i) {
      ChannelReading reading;
      reading.channel = sweep_.visits[i];
      reading.at = sweep_started_ + bench_.visit * static_cast<int>(i) + bench_.visit / 2;
      reading.raw = bench_.read(reading.channel, reading.at, source_.at(reading.at));
      if (!reading.raw) reading.fault = ReadingFault{Errc::open_sensor, "nothing connected"};
      finished.readings.push_back(std::move(reading));
    }
    ++out_.sweeps;
    out_.readings += finished.readings.size();
    feed(std::move(finished));
  }

  // The executor's order: an event's record, the step, the records of what it asks, then the effects. What an effect
  // causes is taken next.
  template <class What>
  void feed(What what) {
    waiting_.push_back({now_, std::move(what)});
    if (feeding_) return;
    feeding_ = true;
    for (; !waiting_.empty() && !closed_; waiting_.pop_front()) take(waiting_.front());
    feeding_ = false;
  }

  void take(const Event& event) {
    const bool tick = std::holds_alternative<Tick>(event.what);
    const auto text = daemon::event_record(plan_, event, run_.sweeping);
    if (!tick) record(text);
    Stepped stepped = step(plan_, std::move(run_), event);
    run_ = std::move(stepped.run);
    if (tick && !stepped.actions.empty()) record(text);
    for (const Action& action : stepped.actions)
      if (const auto asked = daemon::action_record(plan_, action)) record(*asked);
    for (const Action& action : stepped.actions) perform(action);
  }

  void perform(const Action& action) {
    if (const auto* sweep = std::get_if<StartSweep>(&action)) {
      sweep_ = *sweep;
      sweep_started_ = now_;
      sweep_end_ = now_ + bench_.visit * static_cast<int>(sweep->visits.size());
    } else if (const auto* command = std::get_if<Command>(&action)) {
      source_.tell(now_, command->target_c, command->output);
    } else if (std::holds_alternative<ParkAll>(action)) {
      source_.tell(now_, bench_.room_c, false);
      for (std::size_t s = 0; s < plan_.sources.size(); ++s) feed(SourceParked{s, true, "asked", "", false});
    } else if (const auto* close = std::get_if<Close>(&action)) {
      out_.ending = close->ending;
      closed_ = true;
      if (const auto sealed = writer_.seal(nullptr); !sealed) error_ = sealed.error();
    }
  }

  void record(const daemon::RecordText& text) {
    if (error_) return;
    if (auto written = writer_.append(text.kind, text.fields, {utc_at(now_), now_}); !written) error_ = written.error();
  }

  const Plan& plan_;
  const SimulatedBench& bench_;
  journal::Writer writer_;
  Run run_;
  SimulatedSource source_;
  Instant now_, next_poll_;
  StartSweep sweep_;
  Instant sweep_started_;
  std::optional<Instant> sweep_end_;
  std::deque<Event> waiting_;
  bool feeding_ = false, closed_ = false;
  SimulatedRun out_;
  std::optional<Error> error_;
};

}  // namespace

Result<SimulatedRun> simulate(const Plan& plan, const SimulatedBench& bench, const std::filesystem::path& journal) {
  auto writer = journal::Writer::create(journal);
  if (!writer) return writer.error();
  return Simulation(plan, bench, std::move(writer).value()).to_its_end();
}

}  // namespace nightwell::tests
