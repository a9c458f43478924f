// The guardian process from its socket to its exit code.
#pragma once

#include <chrono>

#include "instrument/registry.hpp"
#include "nightwell/time.hpp"

namespace nightwell::guardian {

// Where the daemon leaves the socket.
inline constexpr int socket_file = 3;

// What no call of a driver takes by its own deadlines: opening, finding its place, asking up to three times.
[[nodiscard]] constexpr std::chrono::steady_clock::duration longest_call(Duration reply) {
  return 30 * reply + std::chrono::seconds(30);
}

// Reads the settings from the socket, opens the source with a driver of `registry`, guards it, and does not
// return once a source is guarded: the process ends with the code of the core's Exit. Returns 0 where the
// daemon was gone before it said anything, 2 where the settings or the socket are no good (said to the
// daemon, or on standard error).
[[nodiscard]] int run(const instrument::Registry& registry);

}  // namespace nightwell::guardian
