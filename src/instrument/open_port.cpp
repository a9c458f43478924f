#include "instrument/open_port.hpp"

#include <fcntl.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <asio/buffer.hpp>
#include <asio/ip/tcp.hpp>
#include <asio/steady_timer.hpp>
#include <cerrno>
#include <csignal>
#include <memory>
#include <utility>
#include <vector>

#include "instrument/awaitable.hpp"
#include "instrument/tty.hpp"

namespace nightwell::instrument {

namespace {

using asio::ip::tcp;

// What a look-up leaves for the coroutine that waits for it; shared, because the look-up may end after the
// wait.
struct LookUp {
  explicit LookUp(asio::io_context& io) : resolver(io), done(io) {}
  tcp::resolver resolver;
  asio::steady_timer done;
  std::error_code problem = asio::error::operation_aborted;
  std::vector<tcp::endpoint> endpoints;
};

asio::awaitable<std::shared_ptr<LookUp>> look_up(asio::io_context& io, const TcpPort& port, SteadyTime deadline) {
  auto found = std::make_shared<LookUp>(io);
  std::error_code not_an_address;
  const auto address = asio::ip::make_address(port.host, not_an_address);
  if (!not_an_address) {
    found->problem = std::error_code();
    found->endpoints.emplace_back(address, static_cast<asio::ip::port_type>(port.port));
    co_return found;
  }
  found->done.expires_at(deadline);
  found->problem = asio::error::timed_out;
  found->resolver.async_resolve(port.host, std::to_string(port.port),
                                [found](const std::error_code& problem, const tcp::resolver::results_type& results) {
                                  found->problem = problem;
                                  for (const auto& entry : results) found->endpoints.push_back(entry.endpoint());
                                  found->done.cancel();
                                });
  co_await found->done.async_wait(use_tuple);
  co_return found;
}

void set_option(int fd, int level, int name, int value) {
  // A connection without one of these still works; it only notices a dead peer later.
  (void)setsockopt(fd, level, name, &value, sizeof value);
}

// Commands are short and wait for their replies: no delay. A peer that vanished shows after 5 + 3 x 5 s.
void set_tcp_options(int fd) {
  set_option(fd, IPPROTO_TCP, TCP_NODELAY, 1);
  set_option(fd, SOL_SOCKET, SO_KEEPALIVE, 1);
  set_option(fd, IPPROTO_TCP, TCP_KEEPIDLE, 5);
  set_option(fd, IPPROTO_TCP, TCP_KEEPINTVL, 5);
  set_option(fd, IPPROTO_TCP, TCP_KEEPCNT, 3);
  set_option(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, 20'000);  // milliseconds; the same for unacknowledged bytes
}

std::error_code last_error(int code) {
  return std::error_code(code, std::generic_category());
}

// A read of nothing means a hang-up, except on some USB adapters, where it may be a passing hiccup: asked
// once more.
bool reports_hang_up(int fd) {
  pollfd state{fd, POLLIN, 0};
  if (::poll(&state, 1, 0) < 0) return true;
  return (state.revents & (POLLHUP | POLLERR | POLLNVAL | POLLRDHUP)) != 0;
}

bool is_socket(const Port& port) {
  return std::holds_alternative<TcpPort>(port);
}

}  // namespace

OpenPort::OpenPort(asio::io_context& io, Port port)
    : io_(io), port_(std::move(port)), descriptor_(io), deadline_(io, [this] { descriptor_.cancel(); }) {}

OpenPort::~OpenPort() {
  close();
}

void OpenPort::close() {
  deadline_.stop();
  if (!descriptor_.is_open()) return;
  forget_output(descriptor_.native_handle());
  std::error_code ignored;  // there is nothing to do about a close that fails
  descriptor_.close(ignored);
}

Error OpenPort::gone(std::string_view doing, std::string detail) const {
  Error error;
  error.code = Errc::port_gone;
  error.doing = std::string(doing);
  error.detail = std::move(detail);
  error.where = port_name(port_);
  return error;
}

Error OpenPort::hung_up(std::string_view doing, std::string detail) {
  hung_up_ = true;
  return gone(doing, std::move(detail));
}

Error OpenPort::wait_failed(const std::error_code& problem, std::string_view doing) {
  if (problem == asio::error::operation_aborted && deadline_.expired()) {
    Error error = gone(doing, "the deadline passed");
    error.code = Errc::no_answer;
    return error;
  }
  if (problem == asio::error::operation_aborted) return gone(doing, "the port was closed or the call cancelled");
  if (problem == asio::error::eof) return hung_up(doing, "the other side closed the line");
  return hung_up(doing, problem.message());
}

asio::awaitable<Result<void>> OpenPort::open(SteadyTime deadline) {
  close();
  hung_up_ = false;
  if (const auto* connection = std::get_if<TcpPort>(&port_)) co_return co_await open_tcp(*connection, deadline);
  const auto* serial = std::get_if<SerialPort>(&port_);
  const Result<int> fd = serial != nullptr ? open_serial(*serial) : open_pty(std::get<PtyPort>(port_));
  if (!fd) co_return fd.error();
  std::error_code problem;
  descriptor_.assign(*fd, problem);
  if (problem) {
    ::close(*fd);
    co_return gone("opening the port", problem.message());
  }
  co_return Result<void>();
}

asio::awaitable<Result<void>> OpenPort::open_tcp(const TcpPort& connection, SteadyTime deadline) {
  const auto found = co_await look_up(io_, connection, deadline);
  if (found->problem) co_return gone("looking up the host", found->problem.message());

  Error last = gone("connecting", "the host has no address");
  for (const tcp::endpoint& endpoint : found->endpoints) {
    const int fd = ::socket(endpoint.protocol().family(), SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, IPPROTO_TCP);
    if (fd < 0) co_return gone("connecting", last_error(errno).message());
    set_tcp_options(fd);
    const int started = ::connect(fd, endpoint.data(), static_cast<socklen_t>(endpoint.size()));
    const int code = started == 0 ? 0 : errno;
    std::error_code problem;
    descriptor_.assign(fd, problem);
    if (problem) {
      ::close(fd);
      co_return gone("connecting", problem.message());
    }
    if (code != 0 && code != EINPROGRESS) {
      last = gone("connecting", last_error(code).message());
      close();
      continue;
    }
    const Result<void> connected = co_await await_writable(deadline);
    if (!connected) {
      last = connected.error();
      last.doing = "connecting";
      close();
      co_return last;
    }
    int outcome = 0;
    socklen_t size = sizeof outcome;
    if (getsockopt(descriptor_.native_handle(), SOL_SOCKET, SO_ERROR, &outcome, &size) == 0 && outcome == 0)
      co_return Result<void>();
    last = gone("connecting", last_error(outcome).message());
    close();
  }
  co_return last;
}

asio::awaitable<Result<void>> OpenPort::await_writable(SteadyTime deadline) {
  const Deadline::Guard guard(deadline_, deadline);
  const auto [problem] = co_await descriptor_.async_wait(asio::posix::stream_descriptor::wait_write, use_tuple);
  if (problem) co_return wait_failed(problem, "sending");
  co_return Result<void>();
}

asio::awaitable<Result<void>> OpenPort::write_all(std::string_view bytes, SteadyTime deadline) {
  while (!bytes.empty()) {
    if (!is_open()) co_return gone("sending", "the port is closed");
    // A command nearly always fits at once; only a line that has stopped is waited for.
    const ssize_t sent = ::write(descriptor_.native_handle(), bytes.data(), bytes.size());
    if (sent > 0) {
      bytes.remove_prefix(static_cast<std::size_t>(sent));
      continue;
    }
    const int code = errno;
    if (sent < 0 && code == EINTR) continue;
    if (sent < 0 && code != EAGAIN) co_return hung_up("sending", last_error(code).message());
    const Result<void> writable = co_await await_writable(deadline);
    if (!writable) co_return writable.error();
  }
  co_return Result<void>();
}

bool OpenPort::write_now(std::string_view bytes) {
  return is_open() &&
         ::write(descriptor_.native_handle(), bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size());
}

asio::awaitable<Result<std::size_t>> OpenPort::read_some(std::span<char> into, SteadyTime deadline) {
  const Deadline::Guard guard(deadline_, deadline);
  const auto buffer = asio::buffer(into.data(), into.size());
  for (int attempt = 0;; ++attempt) {
    if (!is_open()) co_return gone("reading", "the port is closed");
    const auto [problem, count] = co_await descriptor_.async_read_some(buffer, use_tuple);
    if (!problem) co_return count;
    const bool hiccup = problem == asio::error::eof && attempt == 0 && !is_socket(port_) && is_open() &&
                        !reports_hang_up(descriptor_.native_handle());
    if (!hiccup) co_return wait_failed(problem, "reading");
  }
}

Result<std::size_t> OpenPort::read_now(std::span<char> into) {
  if (!is_open()) return gone("reading", "the port is closed");
  const ssize_t count = ::read(descriptor_.native_handle(), into.data(), into.size());
  if (count > 0) return static_cast<std::size_t>(count);
  const int code = errno;
  if (count < 0 && (code == EAGAIN || code == EINTR)) return std::size_t{0};
  if (count < 0) return hung_up("reading", last_error(code).message());
  if (!is_socket(port_) && !reports_hang_up(descriptor_.native_handle())) return std::size_t{0};
  return hung_up("reading", "the other side closed the line");
}

void ignore_sigpipe() {
  std::signal(SIGPIPE, SIG_IGN);
}

}  // namespace nightwell::instrument
