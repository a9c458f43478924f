#include "cli/heat_keeper.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <chrono>
#include <csignal>
#include <new>
#include <string_view>
#include <utility>

#include "cli/signals.hpp"

namespace nightwell::cli {
namespace {

constexpr int guardian_socket = 3;  // guardian::socket_file
constexpr int killed_is_gone_ms = 5'000;

Error keeper_error(Errc code, std::string detail) {
  return Error{code, "making sure of the output's off", std::move(detail), ""};
}

void say_if_it_can_be_heard(std::string_view text) {
  pollfd terminal{STDERR_FILENO, POLLOUT, 0};
  if (::poll(&terminal, 1, 0) <= 0 || (terminal.revents & POLLOUT) == 0) return;
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, text.data(), text.size());
}

}  // namespace

// What both processes see.
struct HeatKeeper::Shared {
  std::atomic<std::uint32_t> signs_of_life{0};
  std::atomic<bool> armed{false};
};

namespace {

// Returns when the check has ended, or must be ended: why.
template <class Shared>
std::string_view watch(int socket, const Shared& shared, int longest_ms) {
  constexpr int look_ms = 500;
  const int silence_ms = static_cast<int>(longest_without_a_sign.count() / 1000);
  std::uint32_t last = 0;
  for (int in_all = 0, silent = 0; in_all < longest_ms; in_all += look_ms) {
    pollfd gone{socket, POLLRDHUP, 0};
    if (::poll(&gone, 1, look_ms) > 0) return "";
    const std::uint32_t now = shared.signs_of_life;
    silent = shared.armed && now == last ? silent + look_ms : 0;
    last = now;
    if (silent >= silence_ms) return "nightwell: the check did not go on for 15 s";
  }
  return "nightwell: the check took longer than it may";
}

// After fork() in a program that may have threads: system calls only.
template <class Shared>
[[noreturn]] void wait_and_guard(int socket, const char* guardian, pid_t check, const Shared& shared, int longest_ms) {
  ::setsid();
  for (const int number : leaving_signals) std::signal(number, SIG_IGN);
  std::signal(SIGPIPE, SIG_IGN);
  if (socket != guardian_socket) ::dup2(socket, guardian_socket);
  ::fcntl(guardian_socket, F_SETFD, 0);
  const int nothing = ::open("/dev/null", O_RDWR | O_CLOEXEC);
  ::dup2(nothing, STDIN_FILENO);
  ::dup2(nothing, STDOUT_FILENO);
  ::close_range(guardian_socket + 1, ~0U, 0);
  const std::string_view why = watch(guardian_socket, shared, longest_ms);
  if (!why.empty() && ::getppid() == check) {
    ::kill(check, SIGKILL);  // it hangs, and holds the port
    pollfd gone{guardian_socket, POLLRDHUP, 0};
    ::poll(&gone, 1, killed_is_gone_ms);
    say_if_it_can_be_heard(why);
    say_if_it_can_be_heard("; it was killed, and the guardian parks the source. Look at the source\n");
  }
  sigset_t none;
  sigemptyset(&none);
  ::sigprocmask(SIG_SETMASK, &none, nullptr);
  for (const int number : leaving_signals) std::signal(number, SIG_DFL);
  ::execl(guardian, "nightwell-guardian", static_cast<char*>(nullptr));
  ::_exit(127);
}

}  // namespace

Result<HeatKeeper> HeatKeeper::start(const std::filesystem::path& guardian, Duration longest) {
  if (::access(guardian.c_str(), X_OK) != 0)
    return keeper_error(Errc::not_found, "there is no " + guardian.string() + ", so nothing may be heated");
  std::array<int, 2> ends{};
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends.data()) != 0)
    return keeper_error(Errc::unexpected, "no socket to be had");
  const std::string program = guardian.string();
  const int longest_ms = static_cast<int>(longest.count() / 1000);
  void* page = ::mmap(nullptr, sizeof(Shared), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
  if (page == MAP_FAILED) {
    for (const int end : ends) ::close(end);
    return keeper_error(Errc::unexpected, "no memory to be had");
  }
  auto* shared = new (page) Shared;
  const pid_t check = ::getpid();
  const pid_t process = ::fork();
  if (process == 0) {
    ::close(ends[0]);
    wait_and_guard(ends[1], program.c_str(), check, *shared, longest_ms);
  }
  ::close(ends[1]);
  if (process < 0) {
    ::close(ends[0]);
    return keeper_error(Errc::unexpected, "no process to be had");
  }
  return HeatKeeper(ends[0], process, shared);
}

HeatKeeper::HeatKeeper(HeatKeeper&& other) noexcept
    : socket_(std::exchange(other.socket_, -1)),
      process_(std::exchange(other.process_, -1)),
      shared_(std::exchange(other.shared_, nullptr)),
      armed_(std::exchange(other.armed_, false)),
      reaped_(std::exchange(other.reaped_, true)) {}

// Closing lets it go: an armed one parks the source, one that is not armed only ends.
HeatKeeper::~HeatKeeper() {
  if (socket_ >= 0) ::close(socket_);
  if (process_ > 0 && !reaped_ && !armed_) ::waitpid(process_, nullptr, 0);
}

bool HeatKeeper::is_there() {
  if (!reaped_ && ::waitpid(process_, nullptr, WNOHANG) == process_) reaped_ = true;
  return !reaped_;
}

void HeatKeeper::alive() {
  ++shared_->signs_of_life;
}

Result<void> HeatKeeper::arm(const guardian::Setup& setup) {
  guardian::ParkRequested park;
  park.cause = "a conformance check has ended";
  const std::string lines = guardian::to_line(guardian::Request(setup)) + guardian::to_line(guardian::Request(park));
  // Nobody reads until the check ends: all of it must lie in the socket.
  if (!is_there() ||
      ::send(socket_, lines.data(), lines.size(), MSG_NOSIGNAL | MSG_DONTWAIT) != static_cast<ssize_t>(lines.size()))
    return keeper_error(Errc::unexpected, "its process could not be told what to park");
  armed_ = true;
  shared_->armed = true;
  return {};
}

Result<std::string> HeatKeeper::park(Duration longest) {
  ::shutdown(socket_, SHUT_WR);
  const auto end = std::chrono::steady_clock::now() + longest;
  guardian::LineBuffer lines;
  std::string last = "it said nothing";
  bool proved = false;
  for (;;) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(end - std::chrono::steady_clock::now()).count();
    pollfd waiting{socket_, POLLIN, 0};
    if (left <= 0 || ::poll(&waiting, 1, static_cast<int>(left)) <= 0) break;
    std::array<char, 4096> buffer{};
    const auto count = ::recv(socket_, buffer.data(), buffer.size(), 0);
    if (count <= 0) break;
    lines.add(std::string_view(buffer.data(), static_cast<std::size_t>(count)));
    while (const auto line = lines.next()) {
      const auto said = guardian::parse_said(line->text);
      if (!said) continue;
      if (const auto* parked = std::get_if<guardian::Parked>(&*said); parked != nullptr) {
        proved = parked->confirmed;
        last = parked->text;
      } else if (const auto* fault = std::get_if<guardian::Fault>(&*said); fault != nullptr && !proved) {
        last = fault->error.text();
      }
    }
  }
  if (proved) return last;
  return keeper_error(Errc::unexpected,
                      last +
                          (is_there() ? "; the guardian goes on trying (process " + std::to_string(process_) + ")"
                                      : "; the guardian has ended") +
                          ". Switch the source off by hand");
}

}  // namespace nightwell::cli
