#include "cli/terminal.hpp"

#include <poll.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <string>
#include <utility>

namespace nightwell::cli {
namespace {

// ECMA-48 control functions, and the widely shared private modes for the alternate screen, the cursor and the
// wrapping of long lines: names with wide characters may make a line longer than we count, and it must not
// push the page down.
constexpr std::string_view enter = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[H\x1b[2J";
constexpr std::string_view leave = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l";
constexpr std::string_view home = "\x1b[H";
constexpr std::string_view bold = "\x1b[1m";
constexpr std::string_view plain = "\x1b[0m";
constexpr std::string_view clear_to_end_of_line = "\x1b[K";
constexpr std::string_view clear_below = "\x1b[J";

void write_all(std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t count = ::write(STDOUT_FILENO, bytes.data(), bytes.size());
    if (count < 0 && errno == EINTR) continue;
    if (count <= 0) return;  // the terminal is gone; SIGHUP says so
    bytes.remove_prefix(static_cast<std::size_t>(count));
  }
}

}  // namespace

bool stdout_is_terminal() {
  return ::isatty(STDOUT_FILENO) == 1;
}

bool can_paint() {
  const char* kind = std::getenv("TERM");
  return stdout_is_terminal() && kind != nullptr && *kind != '\0' && std::string_view(kind) != "dumb";
}

TerminalSize terminal_size() {
  winsize size{};
  if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0 || size.ws_row == 0) return {};
  return {size.ws_col, size.ws_row};
}

Screen::Screen() : signals_({SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGWINCH, SIGTSTP}) {
  changed_ = ::isatty(STDIN_FILENO) == 1 && ::tcgetattr(STDIN_FILENO, &before_) == 0;
  keys_ = changed_;
  take();
}

Screen::~Screen() {
  give_back();
}

void Screen::take() {
  if (changed_) {
    termios quiet = before_;
    quiet.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);  // typed letters must not spoil the page
    ::tcsetattr(STDIN_FILENO, TCSANOW, &quiet);
  }
  write_all(enter);
}

void Screen::give_back() const {
  write_all(leave);
  if (changed_) ::tcsetattr(STDIN_FILENO, TCSAFLUSH, &before_);
}

void Screen::paint(std::string_view page) const {
  std::string out(home);
  out += bold;
  bool first = true;
  for (;;) {
    const std::size_t end = page.find('\n');
    out += page.substr(0, end);
    if (std::exchange(first, false)) out += plain;
    out += clear_to_end_of_line;
    if (end == std::string_view::npos) break;
    out += "\r\n";
    page.remove_prefix(end + 1);
  }
  out += clear_below;
  write_all(out);
}

Screen::Event Screen::wait(Duration longest) {
  pollfd waiting[2] = {{signals_.fd(), POLLIN, 0}, {keys_ ? STDIN_FILENO : -1, POLLIN, 0}};
  const auto milliseconds = std::chrono::ceil<std::chrono::milliseconds>(longest).count();
  if (::poll(waiting, 2, static_cast<int>(milliseconds)) <= 0) return Event::time_up;
  if (waiting[0].revents != 0) return act_on_signal();
  return act_on_key();
}

Screen::Event Screen::act_on_signal() {
  const int number = signals_.take();
  if (number == 0) return Event::time_up;
  if (number == SIGWINCH) return Event::resized;
  if (number != SIGTSTP) return Event::leave;
  give_back();
  ::raise(SIGSTOP);
  take();
  return Event::resized;
}

Screen::Event Screen::act_on_key() {
  char key = 0;
  if (::read(STDIN_FILENO, &key, 1) != 1) {
    keys_ = false;  // the input is gone; the page lives on until a signal or the run's end
    return Event::time_up;
  }
  return key == 'q' ? Event::leave : Event::time_up;
}

}  // namespace nightwell::cli
