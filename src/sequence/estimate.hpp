// How long a plan will take, and how far a run is: for the progress bar and "expected finish". A forecast
// decides nothing.
//
// Method: an expected time a plateau (way to go over a usual rate of the kind of source, the settle window,
// the capture), corrected by the ratio of true to expected time over the plateaus that are done. The usual
// rates are common practice, no source.
#pragma once

#include <optional>

#include "sequence/plan.hpp"
#include "sequence/sequencer.hpp"

namespace nightwell::sequence {

// The whole plan from `start_c` on, cooldown included.
[[nodiscard]] Duration expected_duration(const Plan& plan, double start_c = 20);

struct Progress {
  double done = 0;  // 0..1 of the whole night
  Duration left{};
};
[[nodiscard]] Progress progress(const Plan& plan, const Run& run, Instant now);

// How long the phase in progress should take from its begin, of the same forecast; nullopt where nothing is forecast: before
// the first plateau, while the run is held or waits for a person, in a survey, and at the end.
[[nodiscard]] std::optional<Duration> expected_phase(const Plan& plan, const Run& run);

}  // namespace nightwell::sequence
