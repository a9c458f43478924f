// A whole run without instruments: the real sequencer on virtual time, its records made by the daemon's own functions and
// written by the real journal writer. Simulated are the heat source and what the probes read, no more.
//
// The same plan and the same readings give the same bytes. One heat source at most, always answering; one scanner, that
// reads a channel after the other. Nothing is synced: the journal is for reading back at once.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>

#include "nightwell/result.hpp"
#include "sequence/plan.hpp"
#include "sequence/sequencer.hpp"

namespace nightwell::tests {

// The raw value of a channel at a moment when the source is at source_c; nullopt: an open sensor.
using ReadRaw = std::function<std::optional<double>(std::size_t channel, Instant at, double source_c)>;

struct SimulatedBench {
  double room_c = 21;            // where the source starts, and goes while its output is off
  double time_constant_s = 300;  // it goes to its target as exp(-t / time_constant_s)
  Duration visit{25'000};        // how long a reading takes
  ReadRaw read;
};

struct SimulatedRun {
  sequence::Ending ending = sequence::Ending::finished;
  std::uint64_t sweeps = 0, readings = 0;
  Duration length{};
};

// Runs the plan to its closing record in a new file. Errors: storage, bad_input (of the writer); unexpected (the run has
// not closed after 30 days of its own time).
Result<SimulatedRun> simulate(const sequence::Plan& plan, const SimulatedBench& bench,
                              const std::filesystem::path& journal);

}  // namespace nightwell::tests
