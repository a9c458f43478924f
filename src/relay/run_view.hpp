// A run as the page and the metrics show it: its digest, and what the relay knows beside it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "relay/digest.hpp"

namespace nightwell::relay {

inline constexpr double silent_after_s = 300;

struct RunView {
  std::string id;
  const Digest* digest = nullptr;      // never null, and outlives this
  double age_s = 0;                    // since its journal last gained anything, by the relay's clock
  std::uint64_t read_bytes = 0;        // how far the relay has read
  std::uint64_t bytes = 0;             // how much there is
  std::optional<std::string> trouble;  // why nothing more is read: it is damaged, or cannot be read now
  bool damaged = false;                // the trouble is for good; any other is tried again

  [[nodiscard]] bool reading() const { return !trouble && read_bytes < bytes; }
  // Not closed, and nothing has come for so long that somebody should look.
  [[nodiscard]] bool silent() const { return !digest->closed && !trouble && age_s >= silent_after_s; }
  // What the digest says of the run's last minute is of this one, not of the journal's last, however long ago that is.
  [[nodiscard]] bool fresh() const { return age_s < rate_over_s; }
};

}  // namespace nightwell::relay
