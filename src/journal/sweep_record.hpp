// A sweep's record straight as numbers: most of a journal is sweeps, and a JSON value of each would take most of a reader's
// time.
//
// Only of the shape that docs/journal.md gives it, no more and no less: all its keys, no other, texts without escapes, no odd
// replies. Whatever is of another shape, or damaged, is not read here: it goes through strict_json.hpp, whose word on what is
// right counts. What is read here passes there, with the same values.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "nightwell/time.hpp"

namespace nightwell::journal {

struct SweepRecord {
  struct Fault {
    std::size_t position = 0;  // in the order
    std::string code;
  };

  // As Record has them; `utc` is valid as long as the line is.
  std::uint64_t n = 0;
  std::string_view utc;
  Instant up;
  std::uint64_t offset = 0;

  std::uint64_t sweep = 0;
  std::string order, purpose;
  std::optional<std::uint64_t> plateau;
  double started_s = 0;
  std::vector<double> at_s;                // from started_s
  std::vector<std::optional<double>> raw;  // in V, ohm, A or °C
  std::vector<Fault> faults;
};

// Reads the sweep's own fields of a whole line. False: of another shape, or damaged; `out` is then unspecified.
[[nodiscard]] bool read_sweep(std::string_view line, SweepRecord& out);

}  // namespace nightwell::journal
