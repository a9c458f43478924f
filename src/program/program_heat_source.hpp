// A heat source whose driver is a program of its own.
#pragma once

#include <string>

#include "instrument/heat_source.hpp"
#include "program/conversation.hpp"

namespace nightwell::program {

// A program that died is started again by identify() and by set_output(false), by nothing else: no other process gets a heating
// command before its caller has seen the identity. A setting is sent once. Behind an identify() that failed (its start-up may have)
// a target and "on" are refused until one succeeds; but a target right behind an "off" that succeeded goes out: it heats nothing
// and belongs to parking.
//
// set_output(false) goes out at once. Where the program died, or dies or hangs at it, a new one is started and told, after it was
// asked the identity; another identity than the one first learned is told nothing. Where another call is going on it goes out all the
// same, and `unexpected` says: not proved, call again. A program whose file has changed since the plan was made is started again
// for switching off alone: it is never told to heat (refused).
// Destroy it only when no call is pending (close() first, then let the call end).
class ProgramHeatSource final : public instrument::HeatSource {
 public:
  ProgramHeatSource(asio::io_context& io, instrument::ConnectionSettings settings, Patience patience = Patience());
  asio::awaitable<Result<instrument::Identity>> identify() override;
  asio::awaitable<Result<void>> set_target(double t_c) override;
  asio::awaitable<Result<double>> read_target() override;
  asio::awaitable<Result<double>> read_temperature() override;
  asio::awaitable<Result<void>> set_output(bool on) override;
  asio::awaitable<Result<bool>> read_output() override;
  void close() override;

 private:
  asio::awaitable<Result<Value>> call(Ask what, std::string doing);
  asio::awaitable<Result<Value>> ask_in_turn(Ask what);
  asio::awaitable<Result<void>> switch_off();
  asio::awaitable<Result<void>> switch_off_in_turn();
  asio::awaitable<Result<instrument::Identity>> identify_in_turn();
  [[nodiscard]] Error named(Error error, const std::string& doing) const;

  instrument::ConnectionSettings settings_;
  Conversation conversation_;
  std::string identity_;       // as first learned; empty: not yet
  bool identified_ = false;    // the newest time it was asked, the identity answered and was right
  bool switched_off_ = false;  // "off" succeeded, and neither "on" nor identify() was called since
  bool talking_ = false;
};

}  // namespace nightwell::program
