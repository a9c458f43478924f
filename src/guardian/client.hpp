// The daemon's end of a guardian: starts the process, asks it for leases, hands on what it reports.
//
// One Client is one guardian process and one heat source. The process gets a session of its own (a Ctrl-C in
// the daemon's terminal does not reach it), file 0 and 1 on /dev/null, 2 on its log, 3 the socket, and
// nothing else. Everything runs on the io_context's one thread; reports come from there, never from inside
// start(), lease(), park() or close().
//
// What the caller must know:
// - A lease lasts Limits::lease on the guardian's run clock, from the moment it arrives there, with the output
//   on or off. Renewing at every Status is enough where Limits::poll is at most a third of it.
// - A lease asked before Ready is Refused.
// - A park latches: after the first Parked report this process heats no more. A new run needs a new Client.
// - `highest_c` of a lease is a limit on every read-back: on the way down from a hotter plateau it must still
//   lie above the temperature that the source has now.
#pragma once

#include <sys/types.h>

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <chrono>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <variant>

#include "guardian/guard.hpp"
#include "guardian/report.hpp"
#include "instrument/scanner.hpp"
#include "nightwell/result.hpp"

namespace nightwell::guardian {

struct Settings {
  instrument::ConnectionSettings connection;
  Limits limits;
  double speed = 1;               // of the run clock: 1 is real time
  std::filesystem::path program;  // the nightwell-guardian binary
  std::filesystem::path log;      // appended to, created if missing
  // Real time. One that has heated and says nothing for so long is frozen: it is killed and relieved. Zero: longer than any
  // read-back takes.
  std::chrono::steady_clock::duration frozen_after{};
};

// Identified, and read back for the first time.
struct Ready {
  instrument::Identity identity;
  Status status;
};

// The process ended or its socket closed though close() was not called: it cannot be asked any more, and the caller raises the
// alarm. Where the process itself died, or was frozen and killed for it, and a lease had been granted, another one is started, up
// to most_reliefs times, that parks the source and does nothing else: its Status, Fault and Parked are reported as if they were
// the first one's. The instrument itself may be what killed it, or a machine without memory: a relief is no promise.
struct Lost {
  std::string text;  // what became of it and what to do, to stand behind "the guardian of X"
};

inline constexpr int most_reliefs = 3;

using Report = std::variant<Ready, Status, Accepted, Refused, Parked, Fault, Lost>;

class Client {
 public:
  // Errors: bad_input (limits, speed), not_found (the program), storage (the log cannot be opened),
  // unexpected (no socket or process to be had). On an error nothing runs and nothing was reported.
  [[nodiscard]] static Result<std::unique_ptr<Client>> start(asio::io_context& io, Settings settings,
                                                             std::function<void(const Report&)> on_report);

  // Closes the socket at once: the guardian parks what it heats and exits by itself. No report comes any
  // more. A child that has not ended by then is reaped when this process ends; await ended() first to avoid
  // that.
  ~Client();
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;

  // Grants or renews for Limits::lease. Answered by Accepted or Refused.
  void lease(double target_c, bool output, double highest_c);
  // Answered by Parked, at least once, and by one with confirmed = true when it is proved. `cause` is for
  // people.
  void park(std::string cause);
  // Says goodbye: the guardian parks what it heats, its last reports still come, then it exits. No Lost
  // follows.
  void close();

  // Of the newest process.
  [[nodiscard]] pid_t pid() const;
  // The process has ended and is reaped, and so is what relieved it.
  [[nodiscard]] bool gone() const;
  // Returns once gone() is true. May be awaited by more than one; cancellation throws operation_aborted.
  asio::awaitable<void> ended();

 private:
  struct Core;
  explicit Client(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

}  // namespace nightwell::guardian
