// The simulator's end of a line: a pseudo-terminal that clients find under a symbolic link, or a TCP listener
// on 127.0.0.1 that serves one client after another.
//
// Everything is non-blocking and belongs to one thread. Bytes that a client does not fetch wait here, at most
// `most_waiting` of them; what is beyond is lost, as on a serial line without flow control.
// Errors of open(): port_gone (no pseudo-terminal, address in use), storage (the link cannot be made),
// bad_input (something that is not a link is in the way).
#pragma once

#include <cstddef>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/sim/config.hpp"
#include "nightwell/result.hpp"

namespace nightwell::sim {

inline constexpr std::size_t most_waiting = 1 << 16;

// Closes what it holds.
class Descriptor {
 public:
  explicit Descriptor(int fd = -1) : fd_(fd) {}
  Descriptor(Descriptor&& other) noexcept : fd_(other.release()) {}
  Descriptor& operator=(Descriptor&& other) noexcept;
  ~Descriptor() { close(); }
  [[nodiscard]] int get() const { return fd_; }
  [[nodiscard]] explicit operator bool() const { return fd_ >= 0; }
  [[nodiscard]] int release() {
    const int fd = fd_;
    fd_ = -1;
    return fd;
  }
  void close();

 private:
  int fd_;
};

struct Watch {
  int fd = -1;
  short events = 0;  // poll's
};

class LineEnd {
 public:
  virtual ~LineEnd() = default;
  virtual Result<void> open() = 0;
  // Cuts the line: clients see the end of it. open() makes it anew.
  virtual void close() = 0;
  [[nodiscard]] virtual bool is_open() const = 0;
  [[nodiscard]] virtual std::vector<Watch> watches() const = 0;
  // Does what can be done now; returns the bytes that came in. `left` is set where a connection ended and
  // with it everything that was under way on it.
  [[nodiscard]] virtual std::string exchange(bool& left) = 0;

  void send(std::string_view bytes);
  // Writes what the client takes now.
  virtual void flush() = 0;

 protected:
  void flush_to(int fd, bool socket);
  std::string waiting_;
};

[[nodiscard]] std::unique_ptr<LineEnd> make_line_end(const InstrumentPort& port);

}  // namespace nightwell::sim
