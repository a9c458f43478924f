// What a link needs of the world outside: time, and a port that can be opened, closed and opened again. The real one
// is made of OpenPort and the steady clock; tests have one in memory on virtual time.
//
// Times are real time (SteadyTime), or what stands for it. Lifetime: a Wire outlives its ports' calls.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <memory>
#include <optional>
#include <span>
#include <string_view>

#include "instrument/deadline.hpp"
#include "instrument/scanner.hpp"
#include "instrument/tty.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::instrument {

// Bytes in and out with deadlines. Errors of every call: those of OpenPort (open_port.hpp), which says all about them.
class BytePort {
 public:
  virtual ~BytePort() = default;
  virtual asio::awaitable<Result<void>> open(SteadyTime deadline) = 0;
  virtual asio::awaitable<Result<void>> write_all(std::string_view bytes, SteadyTime deadline) = 0;
  virtual asio::awaitable<Result<std::size_t>> read_some(std::span<char> into, SteadyTime deadline) = 0;
  virtual Result<std::size_t> read_now(std::span<char> into) = 0;
  virtual bool write_now(std::string_view bytes) = 0;
  [[nodiscard]] virtual bool is_open() const = 0;
  [[nodiscard]] virtual bool has_hung_up() const = 0;
  virtual void close() = 0;
};

class Wire {
 public:
  virtual ~Wire() = default;
  [[nodiscard]] virtual SteadyTime now() const = 0;
  // Ends early where end_pause() is called.
  virtual asio::awaitable<void> pause(Duration length) = 0;
  virtual void end_pause() = 0;
  [[nodiscard]] virtual std::shared_ptr<BytePort> make_port() = 0;
  // Of a pseudo-terminal: which one stands behind the name now.
  [[nodiscard]] virtual std::optional<PtyMark> pty_behind() const = 0;
};

[[nodiscard]] std::unique_ptr<Wire> make_wire(asio::io_context& io, Port port);
// The wire that an instrument's connection asks for: every driver that talks over a port gets its wire here.
[[nodiscard]] std::unique_ptr<Wire> make_wire(asio::io_context& io, const ConnectionSettings& settings);

}  // namespace nightwell::instrument
