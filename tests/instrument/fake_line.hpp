// The instrument's end of a line: a pty or a loopback TCP connection that a test speaks into. It can be unplugged and
// plugged in again under the same name.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <string>

#include "nightwell/port.hpp"

namespace nightwell::instrument::test {

enum class LineKind { pty, tcp };

class FakeLine {
 public:
  FakeLine(asio::io_context& io, LineKind kind);
  FakeLine(const FakeLine&) = delete;
  FakeLine& operator=(const FakeLine&) = delete;
  ~FakeLine();

  [[nodiscard]] Port port() const;
  // Waits for the other side (TCP: the connection).
  asio::awaitable<void> accept();
  char message_end = '\n';
  // One message including its end; empty: the line is gone.
  asio::awaitable<std::string> receive();
  // `expected`, or what came instead of it or before the line was gone.
  asio::awaitable<std::string> receive(std::string expected);
  asio::awaitable<void> send(std::string bytes);
  void unplug();
  void unplug_but_leave_the_name();
  void plug_in();  // pty: a new device behind the same name
  void close();

  [[nodiscard]] int instrument_fd() { return ours_.native_handle(); }
  [[nodiscard]] int program_side_fd() const { return theirs_; }  // pty only

 private:
  asio::io_context& io_;
  LineKind kind_;
  std::string name_;  // pty: a link to the device
  asio::posix::stream_descriptor ours_, listener_;
  int theirs_ = -1;  // pty: holds the other side open, as a kernel driver does
  int tcp_port_ = 0;
  std::string received_;
};

}  // namespace nightwell::instrument::test
