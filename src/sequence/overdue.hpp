// Whether a run is clearly later than it said it would be: for people who are asleep. Decides nothing about the run.
//
// Rule (common practice, no source):
//   approach, settle, capture, cooldown   overdue once, when the phase has lasted longer than twice what the forecast
//                                         (estimate.hpp) gives it and 10 minutes more
//   waiting, held                         overdue when a person has been waited for 15 minutes, and every hour after that
//   all others, and surveys               never
// A phase that begins again, after a hold for instance, starts anew. A limit of the plan that is shorter acts first.
#pragma once

#include <optional>
#include <string>

#include "sequence/sequencer.hpp"

namespace nightwell::sequence {

inline constexpr int overdue_times_expected = 2;
inline constexpr Duration overdue_allowance = std::chrono::minutes{10};
inline constexpr Duration overdue_person = std::chrono::minutes{15}, overdue_person_again = std::chrono::hours{1};

// What was said of the phase in progress: begin with an empty one, and keep it beside the run.
struct OverdueSaid {
  Instant phase_since;
  int times = 0;
};

struct Overdue {
  Phase phase = Phase::opening;
  std::optional<std::size_t> plateau;
  Duration lasted{};
  std::optional<Duration> expected;  // nullopt where a person is waited for
  std::string text;                  // "settle has lasted 75 min; 30 min were expected"
};

// When the phase in progress will be overdue, or overdue again; nullopt: never.
[[nodiscard]] std::optional<Instant> overdue_at(const Plan& plan, const Run& run, const OverdueSaid& said);

// What to say at `now`, if anything; notes it in `said`.
[[nodiscard]] std::optional<Overdue> overdue(const Plan& plan, const Run& run, OverdueSaid& said, Instant now);

}  // namespace nightwell::sequence
