// What the guardian says, as values: the pure core makes them, the socket carries them, the daemon receives
// them. Temperatures in °C (t90 of the source's own indication), times in seconds of the run's clock.
#pragma once

#include <string>
#include <variant>

#include "nightwell/result.hpp"

namespace nightwell::guardian {

// A whole read-back of the source: what it says of itself, not what it was told.
struct Status {
  double target_c = 0;
  double temperature_c = 0;
  bool output = false;
  double lease_left_s = 0;  // 0 where no lease is held
};

// A lease was granted or renewed. The source is told next; a Status shows when it took hold.
struct Accepted {
  double target_c = 0;
  bool output = false;
  double lease_s = 0;
};

// A lease was not granted; a lease held before stays in force until it ends.
struct Refused {
  std::string text;
};

// The guardian parks. The first such report comes with confirmed = false at the moment it starts; then one
// after each round of the off ladder until the read-back proves the park, with confirmed = true. It may fall
// back to false: a parked source that switches itself on again is parked again. No lease is granted any more
// after the first of them.
struct Parked {
  std::string cause;  // a word of guard.hpp's Cause, or the text that park() was called with
  bool confirmed = false;
  std::string text;  // for people: what was seen, and what to do where the program can do no more
};

// A conversation with the source failed, or its behaviour needs a person (a rise while it reads off).
struct Fault {
  Error error;
};

// The source answered for the first time: its own words (untrusted) and its first read-back.
struct Opened {
  std::string identity;
  Status status;
};

}  // namespace nightwell::guardian
