// Opens a terminal device as a raw line: every setting is stated, read back and compared, because another
// program may have left any of them behind. Blocking calls: none that wait (open is non-blocking, nothing
// drains).
//
// Locking: flock, which holds against every program that asks, root too; on a serial port also TIOCEXCL,
// which keeps out those that do not ask. A pty gets no TIOCEXCL: it would outlive us while the other side is
// open. Errors: port_gone (cannot be opened), port_busy (locked by somebody else), port_settings (not a
// terminal, a setting that does not exist, or one the device did not take: detail names it). Source:
// POSIX.1-2017 termios; Linux tty_ioctl(2const) for TIOCEXCL and CRTSCTS.
#pragma once

#include <sys/types.h>

#include <ctime>
#include <optional>

#include "nightwell/port.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

// The file descriptor: O_NONBLOCK, O_CLOEXEC, O_NOCTTY, buffers emptied. Call forget_output() before close().
[[nodiscard]] Result<int> open_serial(const SerialPort& port);
[[nodiscard]] Result<int> open_pty(const PtyPort& port);

// Which pseudo-terminal stands behind a path, as far as that can be told without opening it. A pty whose other side
// has closed never comes back, but its number is soon somebody else's terminal: the same mark after a hang-up means
// a stranger. A link counts by itself, so a new link, or the same path linked anew, is another mark.
struct PtyMark {
  bool is_link = false;
  dev_t device = 0;
  ino_t number = 0;
  std::time_t made_s = 0;  // of a link; a device's own times move with its traffic
  long made_ns = 0;
  friend bool operator==(const PtyMark&, const PtyMark&) = default;
};
// nullopt: nothing there.
[[nodiscard]] std::optional<PtyMark> pty_mark(const PtyPort& port);

// Gives up the exclusive hold and throws away what is still to be sent, so that closing never waits for a
// line that has stopped.
void forget_output(int fd);

}  // namespace nightwell::instrument
