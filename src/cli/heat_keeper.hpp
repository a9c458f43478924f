// What makes sure that a source is switched off whatever becomes of a check (docs/decisions/0019-conformance.md).
//
// A process of its own, in a session of its own, that waits while the check lives. When the check ends, in whatever way
// (also by SIGKILL), it becomes nightwell-guardian, which parks the source over the instrument's own port and does not
// leave before the read-back proves it. A check that lasts longer than `longest` is killed for it, and so is an armed one that
// gives no sign of life for `longest_without_a_sign` (stopped by Ctrl-Z, held up by a terminal that takes no more). Nothing happens
// where it was never armed. Lifetime: start it before threads and ports are made; one at a time.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <string>

#include "guardian/protocol.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::cli {

// Many times what a check needs between two signs of life, also on a busy machine; a person beside the source has not gone far.
inline constexpr Duration longest_without_a_sign{15'000'000};

class HeatKeeper {
 public:
  // not_found: no guardian there; unexpected: no process to be had.
  [[nodiscard]] static Result<HeatKeeper> start(const std::filesystem::path& guardian, Duration longest);
  HeatKeeper(HeatKeeper&& other) noexcept;
  HeatKeeper& operator=(HeatKeeper&&) = delete;
  ~HeatKeeper();

  // From here on the source will be parked. unexpected: it could not be told, so nothing may be heated.
  Result<void> arm(const guardian::Setup& setup);
  [[nodiscard]] bool armed() const { return armed_; }
  [[nodiscard]] bool is_there();
  // A sign of life.
  void alive();

  // Lets it park, and waits for the proof, at most `longest`. The instrument's port must be closed by then. unexpected:
  // not proved by then; the text says what to do.
  Result<std::string> park(Duration longest);

 private:
  struct Shared;
  HeatKeeper(int socket, pid_t process, Shared* shared) : socket_(socket), process_(process), shared_(shared) {}
  int socket_ = -1;
  pid_t process_ = -1;
  Shared* shared_ = nullptr;  // with the process; mapped until this one ends
  bool armed_ = false, reaped_ = false;
};

}  // namespace nightwell::cli
