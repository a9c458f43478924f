// The sequencer: one night as a value. step(plan, run, event) -> run and actions; no clock, no input or output.
//
//   from                                       event                               to
//   -----------------------------------------  ----------------------------------  ------------------------------------
//   opening                                    opened                              preflight | capture (survey)
//   preflight                                  sweep with every reference read     first plateau
//   waiting                                    ready                               approach
//   approach                                   reference in the band               settle
//   settle                                     rule met, capture placed after      capture
//   settle                                     rule met, capture placed inside     next plateau
//   capture                                    last sweep                          next plateau
//   capture                                    reference leaves the band           settle (the capture is discarded)
//   approach, settle, capture                  limit passed                        by policy: parked | cooldown | next
//                                                                                  plateau | capture (not settled)
//   waiting, approach, settle, capture         hold                                held
//   held                                       resume                              the same plateau from its start
//   waiting, approach, settle, capture, held   skip                                next plateau
//   any but cooldown and the last three        stop                                cooldown
//   cooldown                                   every source safe to leave and off  finished | stopped
//   any but the last three                     guard, failure, park request,       parked
//                                              a source that its guardian parked
//
//   A plateau starts in waiting (attended source) or approach; behind the last one comes cooldown.
//   Terminal: parked, finished, stopped. A parked run is never continued; a person clears it by looking at the bench.
//
// The same list of events always gives the same run: nothing here depends on anything but its arguments. Feed ticks
// at wake_at(); a tick earlier than that changes nothing.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "sequence/events.hpp"
#include "sequence/plan.hpp"
#include "sequence/settle.hpp"

namespace nightwell::sequence {

struct Opening {};
struct Preflight {
  int tries = 0;
};
struct Waiting {
  std::size_t plateau = 0;
  std::string text;
};
struct Approach {
  std::size_t plateau = 0;
  Instant since;                         // the target was sent
  std::optional<Instant> heating_since;  // the heating guard's window: when, and the reference then
  double heating_from_c = 0;
};
struct Settle {
  std::size_t plateau = 0;
  Instant since;  // the first arrival in the band
  SettleWindow window;
  std::vector<std::uint64_t> sweeps;  // of purpose window, with their start times: what a capture inside is made of
  std::vector<Instant> sweep_starts;
};
struct Capture {
  std::size_t plateau = 0;
  Instant since;
  bool settled = true;
  std::string why;                    // why it is taken although not settled
  std::optional<WindowFacts> window;  // what proved it
  Instant settling_since;             // to go back to settle with its limit still running
  std::optional<std::uint64_t> first_sweep;
  int done = 0;
};
struct Surveying {
  Instant since;
  std::vector<std::vector<double>> read_c;  // per channel, all good readings
  std::vector<std::vector<ReadingFault>> faults;
};
struct Cooldown {
  Instant since;
  Ending ending = Ending::finished;
  std::string why;
  bool asked_person = false;  // an attended source was used and nobody has said yet that it is off
};
struct Held {
  std::size_t plateau = 0;
  Instant since;
  bool heat_off = false;  // held longer than a held run may heat
};
struct Parked {
  std::string cause;
  std::vector<bool> confirmed;  // per source; attended sources count as confirmed by nobody and are skipped
  std::string text;
  bool untouched =
      false;  // one of those counts as confirmed because this run never told it anything: nobody has seen it
};
struct Finished {};
struct Stopped {};

using State = std::variant<Opening, Preflight, Waiting, Approach, Settle, Capture, Surveying, Cooldown, Held, Parked,
                           Finished, Stopped>;

// The last that is known of a channel.
struct ChannelSeen {
  std::optional<double> t_c;
  Instant at;
  std::string fault;  // of the last reading; empty if it was good
  int faults_in_a_row = 0;
  int beyond_in_a_row = 0;  // readings beyond a guard's limit
  bool left_out = false;
};
struct SourceSeen {
  bool seen = false;
  double target_c = 0, temperature_c = 0;
  bool output = false;
  double lease_left_s = 0;
  Instant at;
  bool used = false;            // it was told something in this run, or a person was
  std::optional<Command> told;  // the last command, and when
  Instant told_at;
};

struct Run {
  State state = Opening{};
  std::vector<ChannelSeen> channels;
  std::vector<SourceSeen> sources;
  std::vector<PlateauClosed> closed;
  std::uint64_t next_sweep = 0;
  std::optional<StartSweep> sweeping;  // the sweep in progress
  Instant sweep_due;                   // not before
  Instant items_due;                   // the next look at every item, for the guards
  Instant phase_since;
  std::optional<Instant> plateaus_since;  // the first plateau began
  Instant reference_good_at;              // last good reference (all of them)
  std::optional<double> reference_c;      // mean of the references in the last sweep that had them all
};

struct Stepped {
  Run run;
  std::vector<Action> actions;
};

// A held run may heat for this long; then its output goes off. An unattended pause must not keep a furnace
// hot (heat rule H20).
inline constexpr Duration held_heating_limit = std::chrono::minutes{15};

// An item is left out of the settle rule after this many faulted readings in a row.
inline constexpr int faults_to_leave_out = 3;

[[nodiscard]] Run begin(const Plan& plan);

[[nodiscard]] Stepped step(const Plan& plan, Run run, const Event& event);

// When time alone will next matter; nullopt in a terminal state.
[[nodiscard]] std::optional<Instant> wake_at(const Plan& plan, const Run& run);

// Whether a person may ask this of the run now; step() ignores what it does not allow.
[[nodiscard]] bool allows(const Run& run, Request request);

[[nodiscard]] Phase phase(const Run& run);
[[nodiscard]] bool terminal(const Run& run);
[[nodiscard]] std::optional<std::size_t> plateau(const Run& run);  // the one in progress

}  // namespace nightwell::sequence
