// What setpoints that a run came to more than once say about an item: hysteresis, and repeatability between plateaus.
//
// Pure. Only plateaus of one setpoint in one source are compared: nothing is interpolated.
// Hysteresis: mean error come to from below (up) minus mean error come to from above (down). Plateaus come to from the same
// side say nothing about it; their spread is the repeatability between plateaus: s² = Σ (e - mean of its side)² / Σ (n - 1),
// pooled over both sides (GUM 4.2.4, common practice). A difference of few plateaus holds their repeatability as well.
//
// Direction: the sign of the setpoint minus where the items came from. That is
// - the setpoint of the plateau before, in whatever source;
// - for the first plateau the reference in the first sweep of the run (a start within the band is no direction);
// - behind plateaus without readings (skipped on the way) any temperature between theirs and the one before: a setpoint
//   within that span has no direction.
// A setpoint that stays keeps the direction before. What the source did on its way (overshoot, a hold) is not looked at.
// Unknown directions count nowhere.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "results/results.hpp"

namespace nightwell::results {

// `plateaus` in the order in which they closed. `start_c`: the reference at the start; nothing: not known.
void set_directions(std::vector<Plateau>& plateaus, std::optional<double> start_c);

// Of every item, each setpoint with at least two errors of known direction.
[[nodiscard]] std::vector<Revisited> revisited(const std::vector<Plateau>& plateaus);

// The entry for a channel at a plateau's setpoint and source; null where there is none.
[[nodiscard]] const Revisited* revisited_at(const std::vector<Revisited>& all, std::size_t channel,
                                            const Plateau& plateau);

}  // namespace nightwell::results
