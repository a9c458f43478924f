#include "program.hpp"

#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <sys/ioctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>
#include <utmp.h>

#include <array>
#include <csignal>
#include <cstdlib>
#include <stdexcept>

namespace nightwell::cli_test {
namespace {

constexpr int generous_ms = 30'000;

const std::string program = std::string(NIGHTWELL_BIN_DIR) + "/nightwell";

// Prepared before fork(): the child of a program with threads may not allocate.
class Prepared {
 public:
  Prepared(const std::filesystem::path& folder, const std::vector<std::string>& arguments) : texts_{program} {
    texts_.insert(texts_.end(), arguments.begin(), arguments.end());
    for (std::string& text : texts_) arguments_.push_back(text.data());
    arguments_.push_back(nullptr);
    variables_ = {"NIGHTWELL_RUNTIME=" + folder.string(), "NIGHTWELL_STATE=" + (folder / "state").string(),
                  "HOME=" + folder.string(), "PATH=/usr/bin:/bin", "TERM=xterm"};
    for (std::string& text : variables_) environment_.push_back(text.data());
    environment_.push_back(nullptr);
  }
  [[noreturn]] void execute() {
    ::execve(arguments_[0], arguments_.data(), environment_.data());
    ::_exit(127);
  }

 private:
  std::vector<std::string> texts_, variables_;
  std::vector<char*> arguments_, environment_;
};

int exit_code(pid_t process) {
  int status = 0;
  ::waitpid(process, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

}  // namespace

Outcome run(const std::filesystem::path& folder, const std::vector<std::string>& arguments, const char* output,
            const char* input) {
  Prepared prepared(folder, arguments);
  int out[2], err[2];
  if (::pipe(out) != 0 || ::pipe(err) != 0) throw std::runtime_error("no pipe");
  const pid_t process = ::fork();
  if (process == 0) {
    if (input != nullptr) ::dup2(::open(input, O_RDONLY), STDIN_FILENO);
    ::dup2(output != nullptr ? ::open(output, O_WRONLY) : out[1], STDOUT_FILENO);
    ::dup2(err[1], STDERR_FILENO);
    for (int fd : {out[0], out[1], err[0], err[1]}) ::close(fd);
    prepared.execute();
  }
  ::close(out[1]);
  ::close(err[1]);
  Outcome outcome;
  std::array<pollfd, 2> waiting{{{out[0], POLLIN, 0}, {err[0], POLLIN, 0}}};
  while (waiting[0].fd >= 0 || waiting[1].fd >= 0) {
    if (::poll(waiting.data(), 2, generous_ms) <= 0) {
      ::kill(process, SIGKILL);
      break;
    }
    for (std::size_t i = 0; i < 2; ++i) {
      if (waiting[i].revents == 0) continue;
      char bytes[65536];
      const ssize_t count = ::read(waiting[i].fd, bytes, sizeof bytes);
      if (count > 0)
        (i == 0 ? outcome.out : outcome.err).append(bytes, static_cast<std::size_t>(count));
      else
        waiting[i].fd = -1;
    }
  }
  ::close(out[0]);
  ::close(err[0]);
  outcome.exit = exit_code(process);
  return outcome;
}

OnTerminal::OnTerminal(const std::filesystem::path& folder, const std::vector<std::string>& arguments) {
  Prepared prepared(folder, arguments);
  winsize size{24, 80, 0, 0};
  if (::openpty(&terminal_, &other_end_, nullptr, nullptr, &size) != 0) throw std::runtime_error("no terminal");
  process_ = ::fork();
  if (process_ == 0) {
    ::close(terminal_);
    ::login_tty(::dup(other_end_));
    ::close(other_end_);
    prepared.execute();
  }
}

OnTerminal::~OnTerminal() {
  if (process_ > 0) {
    ::kill(process_, SIGKILL);
    exit_code(process_);
  }
  ::close(terminal_);
  ::close(other_end_);
}

bool OnTerminal::read_some() {
  pollfd waiting{terminal_, POLLIN, 0};
  if (::poll(&waiting, 1, generous_ms) <= 0) return false;
  char bytes[65536];
  const ssize_t count = ::read(terminal_, bytes, sizeof bytes);
  if (count <= 0) return false;
  output_.append(bytes, static_cast<std::size_t>(count));
  return true;
}

bool OnTerminal::read_until(const std::string& text) {
  const std::size_t from = output_.size();
  while (output_.find(text, from > text.size() ? from - text.size() : 0) == std::string::npos)
    if (!read_some()) return false;
  return true;
}

bool OnTerminal::read_on_until(const std::string& text) {
  std::size_t at = std::string::npos;
  while ((at = output_.find(text, found_)) == std::string::npos)
    if (!read_some()) return false;
  found_ = at + text.size();
  return true;
}

void OnTerminal::type(const std::string& keys) const {
  if (::write(terminal_, keys.data(), keys.size()) != static_cast<ssize_t>(keys.size()))
    throw std::runtime_error("the terminal takes no keys");
}

void OnTerminal::resize(unsigned short columns, unsigned short rows) const {
  winsize size{rows, columns, 0, 0};
  ::ioctl(terminal_, TIOCSWINSZ, &size);
}

int OnTerminal::finish() {
  const int code = exit_code(process_);
  process_ = -1;
  pollfd waiting{terminal_, POLLIN, 0};
  while (::poll(&waiting, 1, 0) > 0 && (waiting.revents & POLLIN) != 0)
    if (!read_some()) break;
  return code;
}

bool OnTerminal::echoes() const {
  termios settings{};
  return ::tcgetattr(other_end_, &settings) == 0 && (settings.c_lflag & ECHO) != 0 && (settings.c_lflag & ICANON) != 0;
}

}  // namespace nightwell::cli_test
