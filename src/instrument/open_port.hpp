// An open port: bytes in and out with deadlines, whatever is behind it (serial line, TCP connection, pty). It
// knows nothing of replies or instruments.
//
// Errors of every call: no_answer (the deadline passed), port_gone (closed, unplugged, refused, or
// cancelled). open() besides: port_busy, port_settings (see tty.hpp). After port_gone only close() and open()
// make sense. Lifetime: make it with std::make_shared and hold a copy across each call; close() may come at
// any time from the same thread and ends a pending call with port_gone. Cancelling the coroutine does the
// same to that call. Closing never waits for output. SIGPIPE must be ignored (ignore_sigpipe()).
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <span>
#include <string>
#include <string_view>

#include "instrument/deadline.hpp"
#include "instrument/wire.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

class OpenPort final : public BytePort {
 public:
  OpenPort(asio::io_context& io, Port port);
  OpenPort(const OpenPort&) = delete;
  OpenPort& operator=(const OpenPort&) = delete;
  ~OpenPort() override;

  // A TCP name is looked up on another thread; where the look-up outlasts the deadline it is left to itself.
  asio::awaitable<Result<void>> open(SteadyTime deadline) override;
  // All of it or an error; after no_answer an unknown part has been sent.
  asio::awaitable<Result<void>> write_all(std::string_view bytes, SteadyTime deadline) override;
  // At least one byte, at most into.size().
  asio::awaitable<Result<std::size_t>> read_some(std::span<char> into, SteadyTime deadline) override;
  // What has already arrived, without waiting; 0: nothing.
  Result<std::size_t> read_now(std::span<char> into) override;
  // Sends at once what the line takes at once; false: not all of it, or the port is gone.
  bool write_now(std::string_view bytes) override;

  [[nodiscard]] bool is_open() const override { return descriptor_.is_open(); }
  // Whether the other side is gone; false after a call that was only cancelled, when the port is as good as before.
  [[nodiscard]] bool has_hung_up() const override { return hung_up_; }
  void close() override;

 private:
  asio::awaitable<Result<void>> open_tcp(const TcpPort& tcp, SteadyTime deadline);
  asio::awaitable<Result<void>> await_writable(SteadyTime deadline);
  [[nodiscard]] Error wait_failed(const std::error_code& problem, std::string_view doing);
  [[nodiscard]] Error hung_up(std::string_view doing, std::string detail);
  [[nodiscard]] Error gone(std::string_view doing, std::string detail) const;

  asio::io_context& io_;
  Port port_;
  asio::posix::stream_descriptor descriptor_;
  Deadline deadline_;
  bool hung_up_ = false;
};

// A write to a connection that the other side has closed must be an error code, not the end of the process.
// Called once by every main() that opens ports.
void ignore_sigpipe();

}  // namespace nightwell::instrument
