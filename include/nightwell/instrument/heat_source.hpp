// A heat source as the guardian sees it; only the guardian process opens one. Same rules as Scanner:
// asynchronous, a deadline on every call, typed errors, one conversation at a time.
#pragma once

#include <asio/awaitable.hpp>

#include "nightwell/instrument/reading.hpp"
#include "nightwell/result.hpp"

namespace nightwell::instrument {

class HeatSource {
 public:
  virtual ~HeatSource() = default;
  virtual asio::awaitable<Result<Identity>> identify() = 0;
  // Sends the setpoint, empties the error queue (an entry is `refused`). The caller reads back.
  virtual asio::awaitable<Result<void>> set_target(double t_c) = 0;
  virtual asio::awaitable<Result<double>> read_target() = 0;
  virtual asio::awaitable<Result<double>> read_temperature() = 0;
  virtual asio::awaitable<Result<void>> set_output(bool on) = 0;
  virtual asio::awaitable<Result<bool>> read_output() = 0;
  virtual void close() = 0;
};

}  // namespace nightwell::instrument
