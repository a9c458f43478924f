// How many bytes a night's journal will take, generously: room for it is reserved before the run begins.
#pragma once

#include <cstdint>

#include "sequence/plan.hpp"

namespace nightwell::daemon {

// Records of the opening, then for the expected duration, half as long again, a sweep of all channels at every sampling and a
// read-back of every source at every poll, the figures of the disk, and the captures. Sizes of records: measured on journals of simulated nights, rounded
// up.
[[nodiscard]] std::uint64_t planned_bytes(const sequence::Plan& plan);

}  // namespace nightwell::daemon
