// A sweep's raw readings turned into temperatures, as far as the run's decisions need them.
//
// A thermocouple's junction is taken from the junction channel's reading earlier in the same sweep, else from
// the last good one of the run. Results are worked out again from the journal with the junction interpolated
// in time; this quick form serves guards and the settle rule only.
#pragma once

#include <optional>
#include <vector>

#include "sequence/events.hpp"
#include "sequence/plan.hpp"

namespace nightwell::sequence {

struct ConvertedReading {
  std::size_t channel = 0;
  Instant at;
  std::optional<double> t_c;
  std::optional<ReadingFault> fault;  // set exactly where t_c is not
};

// `last_known_c` has an entry a channel of the plan: its last good temperature before this sweep.
[[nodiscard]] std::vector<ConvertedReading> convert(const Plan& plan, const std::vector<ChannelReading>& readings,
                                                    std::vector<std::optional<double>> last_known_c);

// The mean of a channel's good readings in a sweep, at the mean of their times; nullopt where there is none.
struct MeanReading {
  Instant at;
  double t_c = 0;
};
[[nodiscard]] std::optional<MeanReading> mean_of(const std::vector<ConvertedReading>& readings, std::size_t channel);

// The mean of all references, nullopt unless each of them was read.
[[nodiscard]] std::optional<MeanReading> mean_reference(const Plan& plan,
                                                        const std::vector<ConvertedReading>& readings);

}  // namespace nightwell::sequence
