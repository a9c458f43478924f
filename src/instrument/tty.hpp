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

#include "nightwell/port.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

// The file descriptor: O_NONBLOCK, O_CLOEXEC, O_NOCTTY, buffers emptied. Call forget_output() before close().
[[nodiscard]] Result<int> open_serial(const SerialPort& port);
[[nodiscard]] Result<int> open_pty(const PtyPort& port);

// Gives up the exclusive hold and throws away what is still to be sent, so that closing never waits for a
// line that has stopped.
void forget_output(int fd);

}  // namespace nightwell::instrument
