// Signals as events: while the object lives, the named signals do not act on the process but wait to be read.
// One object at a time, one thread.
#pragma once

#include <csignal>
#include <initializer_list>

#include "nightwell/time.hpp"

namespace nightwell::cli {

// Ctrl-C, and the polite ways to end a program.
inline constexpr std::initializer_list<int> leaving_signals = {SIGINT, SIGTERM, SIGHUP, SIGQUIT};

class Signals {
 public:
  explicit Signals(std::initializer_list<int> numbers);
  Signals(const Signals&) = delete;
  Signals& operator=(const Signals&) = delete;
  ~Signals();

  [[nodiscard]] int fd() const { return fd_; }  // readable when a signal waits
  [[nodiscard]] int take();                     // its number; 0 where none waits
  [[nodiscard]] int wait(Duration longest);     // the same, after waiting for one

 private:
  int fd_ = -1;
  sigset_t before_{};
};

}  // namespace nightwell::cli
