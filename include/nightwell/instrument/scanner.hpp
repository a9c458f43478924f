// A scanner as the daemon sees it. Every call is asynchronous, has the deadline stated when it was opened
// (real time), and fails with a typed error: no_answer, garbled, port_gone, refused, wrong_identity,
// open_sensor, overload, out_of_range. One conversation at a time: the caller never overlaps two calls on one
// scanner. Cancellation: a call ends with port_gone; the link is then suspect and resynchronises before the
// next query.
#pragma once

#include <asio/awaitable.hpp>
#include <cstdint>

#include "nightwell/instrument/reading.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

class Scanner {
 public:
  virtual ~Scanner() = default;
  // Opens the port if it is not open, drains it, asks for the identity and empties the error queue.
  virtual asio::awaitable<Result<Identity>> identify() = 0;
  virtual asio::awaitable<Result<void>> configure(ChannelSetup channel) = 0;
  virtual asio::awaitable<Result<Reading>> read(ChannelSetup channel) = 0;
  // How many questions were asked again since it was made: late, missing or garbled replies.
  [[nodiscard]] virtual std::uint64_t asked_again() const = 0;
  // Closes the port; pending calls end with port_gone.
  virtual void close() = 0;
};

}  // namespace nightwell::instrument
