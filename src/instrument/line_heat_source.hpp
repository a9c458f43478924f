// A heat source made of a codec and a line.
#pragma once

#include "instrument/heat_source.hpp"
#include "instrument/line_instrument.hpp"

namespace nightwell::instrument {

// set_output(false) puts its first byte on the line at once, even where the link is out of step or another
// call is pending (where both sides take turns, behind the reply that this call awaits); in the latter case it ends with `unexpected`: sent, but not proved, so call it again. The codec's
// park steps follow an "off" that the line carried, all of them, whatever each says; the first that failed is told.
// "On" is not sent where the line had to be found again for it (no_answer): look first, the setpoint may be another.
// Behind a start-up that failed (line_instrument.hpp) a target and "on" are refused and nothing is sent; but a target right
// behind an "off" that succeeded goes out, since it heats nothing and belongs to parking.
// Destroy it only when no call is pending (close() first, then let the call end).
class LineHeatSource final : public HeatSource {
 public:
  LineHeatSource(asio::io_context& io, ConnectionSettings settings, std::unique_ptr<HeatSourceCodec> codec);
  LineHeatSource(std::unique_ptr<Wire> wire, ConnectionSettings settings, std::unique_ptr<HeatSourceCodec> codec);
  asio::awaitable<Result<Identity>> identify() override;
  asio::awaitable<Result<void>> set_target(double t_c) override;
  asio::awaitable<Result<double>> read_target() override;
  asio::awaitable<Result<double>> read_temperature() override;
  asio::awaitable<Result<void>> set_output(bool on) override;
  asio::awaitable<Result<bool>> read_output() override;
  void close() override;

 private:
  asio::awaitable<Result<void>> switch_off();
  using When = LineInstrument<HeatSourceCodec>::When;
  asio::awaitable<Result<void>> heat(HeatSourceCommand command, std::string_view doing, bool heats_not, When when);
  asio::awaitable<Result<double>> ask_number(HeatSourceCommand command, std::string_view doing);

  LineInstrument<HeatSourceCodec> instrument_;
  bool switched_off_ = false;  // "off" succeeded, and neither "on" nor identify() was called since
};

}  // namespace nightwell::instrument
