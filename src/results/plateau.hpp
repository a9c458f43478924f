// One plateau's numbers from its raw readings.
//
// Pure: no JSON, no file. The readings may come in any order of channels and times: straight, mirrored, bracketed,
// or from scanners that read in parallel.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "results/results.hpp"

namespace nightwell::results {

// One visit of a channel: a raw value, or the code of the fault.
struct RawReading {
  std::size_t channel = 0;  // into the channels
  double at_s = 0;
  std::optional<double> raw;
  std::string fault;
};

// Fills in reference, items, junctions, from_s and to_s of a plateau. Each channel of the plan gets an entry, in the
// order of `channels`, whether it was read or not.
void work_out(Plateau& plateau, const std::vector<Channel>& channels, const std::vector<RawReading>& readings);

}  // namespace nightwell::results
