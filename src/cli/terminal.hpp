// A full-screen page on a terminal. Whatever way the program leaves, the terminal is as it was before: the
// destructor restores it, and the signals that would kill the program come as events instead.
//
// One object at a time, one thread.
#pragma once

#include <termios.h>

#include <string_view>

#include "cli/signals.hpp"
#include "nightwell/time.hpp"

namespace nightwell::cli {

[[nodiscard]] bool stdout_is_terminal();
// Standard output is a terminal that can move its cursor: one that says what it is, and is not "dumb".
[[nodiscard]] bool can_paint();

struct TerminalSize {
  int columns = 80, rows = 24;
};
// 80 x 24 where the terminal does not say.
[[nodiscard]] TerminalSize terminal_size();

class Screen {
 public:
  enum class Event { time_up, resized, leave };

  // Only where can_paint().
  Screen();
  Screen(const Screen&) = delete;
  Screen& operator=(const Screen&) = delete;
  ~Screen();

  // Paints lines joined by LF over the page before, without wiping it first, in one write. The first line is
  // bold. Lines must be narrower than the terminal: a cursor in the last column would take that column's
  // letter along when the rest of the line is cleared.
  void paint(std::string_view page) const;

  // Waits for a resize, Ctrl-C, the letter q, a hang-up or a request to end, at most `longest`. Ctrl-Z gives
  // the terminal back while the program is stopped, and takes it again after (resized).
  [[nodiscard]] Event wait(Duration longest);

 private:
  void take();
  void give_back() const;
  Event act_on_signal();
  Event act_on_key();

  Signals signals_;
  bool changed_ = false;  // standard input is a terminal whose settings we change
  bool keys_ = false;     // and it still gives keys
  termios before_{};
};

}  // namespace nightwell::cli
