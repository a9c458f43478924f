#include "cli/signals.hpp"

#include <poll.h>
#include <sys/signalfd.h>
#include <unistd.h>

namespace nightwell::cli {

Signals::Signals(std::initializer_list<int> numbers) {
  sigset_t set;
  sigemptyset(&set);
  for (int number : numbers) sigaddset(&set, number);
  ::sigprocmask(SIG_BLOCK, &set, &before_);
  fd_ = ::signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
  // Without a descriptor nobody could end the program any more: let the signals act as ever.
  if (fd_ < 0) ::sigprocmask(SIG_SETMASK, &before_, nullptr);
}

Signals::~Signals() {
  if (fd_ < 0) return;
  ::close(fd_);
  ::sigprocmask(SIG_SETMASK, &before_, nullptr);
}

int Signals::take() {
  signalfd_siginfo info{};
  if (fd_ < 0 || ::read(fd_, &info, sizeof info) != sizeof info) return 0;
  return static_cast<int>(info.ssi_signo);
}

int Signals::wait(Duration longest) {
  pollfd waiting{fd_, POLLIN, 0};
  const auto milliseconds = std::chrono::ceil<std::chrono::milliseconds>(longest).count();
  if (::poll(&waiting, 1, static_cast<int>(milliseconds)) <= 0) return 0;
  return take();
}

}  // namespace nightwell::cli
