#include "fake_line.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <pty.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <asio/buffer.hpp>
#include <atomic>
#include <filesystem>
#include <stdexcept>
#include <utility>

#include "instrument/awaitable.hpp"

namespace nightwell::instrument::test {

namespace {

void require(bool good, const char* what) {
  if (!good) throw std::runtime_error(what);
}

}  // namespace

FakeLine::FakeLine(asio::io_context& io, LineKind kind) : io_(io), kind_(kind), ours_(io), listener_(io) {
  static std::atomic<int> count = 0;
  if (kind_ == LineKind::pty) {
    name_ = (std::filesystem::temp_directory_path() /
             ("nightwell-line-" + std::to_string(getpid()) + "-" + std::to_string(count++)))
                .string();
    plug_in();
    return;
  }
  const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  socklen_t size = sizeof address;
  require(::bind(fd, reinterpret_cast<sockaddr*>(&address), size) == 0 && ::listen(fd, 4) == 0 &&
              ::getsockname(fd, reinterpret_cast<sockaddr*>(&address), &size) == 0,
          "no loopback port");
  tcp_port_ = ntohs(address.sin_port);
  listener_.assign(fd);
}

FakeLine::~FakeLine() {
  close();
}

void FakeLine::close() {
  unplug();
  if (listener_.is_open()) listener_.close();
}

Port FakeLine::port() const {
  if (kind_ == LineKind::tcp) {
    TcpPort tcp;
    tcp.host = "127.0.0.1";
    tcp.port = tcp_port_;
    return tcp;
  }
  PtyPort pty;
  pty.path = name_;
  return pty;
}

asio::awaitable<void> FakeLine::accept() {
  if (kind_ == LineKind::pty) co_return;
  co_await listener_.async_wait(asio::posix::stream_descriptor::wait_read, use_tuple);
  if (!listener_.is_open()) co_return;
  const int fd = ::accept4(listener_.native_handle(), nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC);
  if (fd >= 0) ours_.assign(fd);
}

asio::awaitable<std::string> FakeLine::receive() {
  if (!ours_.is_open()) co_await accept();
  std::array<char, 512> chunk{};
  const auto buffer = asio::buffer(chunk);
  for (;;) {
    if (const std::size_t end = received_.find(message_end); end != std::string::npos) {
      std::string message = received_.substr(0, end + 1);
      received_.erase(0, end + 1);
      co_return message;
    }
    if (!ours_.is_open()) co_return std::string();
    const auto [problem, count] = co_await ours_.async_read_some(buffer, use_tuple);
    if (problem) co_return std::string();
    received_.append(chunk.data(), count);
  }
}

asio::awaitable<std::string> FakeLine::receive(std::string expected) {
  if (!ours_.is_open()) co_await accept();
  std::array<char, 512> chunk{};
  const auto buffer = asio::buffer(chunk);
  for (;;) {
    if (received_.starts_with(expected)) {
      received_.erase(0, expected.size());
      co_return expected;
    }
    if (!expected.starts_with(received_) || !ours_.is_open()) co_return std::exchange(received_, {});
    const auto [problem, count] = co_await ours_.async_read_some(buffer, use_tuple);
    if (problem) co_return std::exchange(received_, {});
    received_.append(chunk.data(), count);
  }
}

asio::awaitable<void> FakeLine::send(std::string bytes) {
  if (!ours_.is_open()) co_await accept();
  std::string_view rest = bytes;
  while (!rest.empty() && ours_.is_open()) {
    const auto buffer = asio::buffer(rest.data(), rest.size());
    const auto [problem, count] = co_await ours_.async_write_some(buffer, use_tuple);
    if (problem) co_return;
    rest.remove_prefix(count);
  }
}

void FakeLine::unplug() {
  unplug_but_leave_the_name();
  if (name_.empty()) return;
  std::error_code ignored;
  std::filesystem::remove(name_, ignored);
}

void FakeLine::unplug_but_leave_the_name() {
  if (ours_.is_open()) ours_.close();
  if (theirs_ >= 0) ::close(theirs_);
  theirs_ = -1;
  received_.clear();
}

void FakeLine::plug_in() {
  if (kind_ == LineKind::tcp) return;
  int ours = -1;
  std::array<char, 128> device{};
  require(::openpty(&ours, &theirs_, device.data(), nullptr, nullptr) == 0, "no pty");
  ::fcntl(ours, F_SETFD, FD_CLOEXEC);
  ::fcntl(theirs_, F_SETFD, FD_CLOEXEC);
  ours_.assign(ours);
  const std::string fresh = name_ + ".new";
  std::filesystem::create_symlink(device.data(), fresh);
  std::filesystem::rename(fresh, name_);
}

}  // namespace nightwell::instrument::test
