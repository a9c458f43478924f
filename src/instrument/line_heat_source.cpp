#include "instrument/line_heat_source.hpp"

#include <utility>

namespace nightwell::instrument {

LineHeatSource::LineHeatSource(asio::io_context& io, ConnectionSettings settings,
                               std::unique_ptr<HeatSourceCodec> codec)
    : instrument_(io, std::move(settings), std::move(codec)) {}

LineHeatSource::LineHeatSource(std::unique_ptr<Wire> wire, ConnectionSettings settings,
                               std::unique_ptr<HeatSourceCodec> codec)
    : instrument_(std::move(wire), std::move(settings), std::move(codec)) {}

asio::awaitable<Result<Identity>> LineHeatSource::identify() {
  switched_off_ = false;
  return instrument_.identify();
}

asio::awaitable<Result<void>> LineHeatSource::set_target(double t_c) {
  SetTarget set;
  set.t_c = t_c;
  const HeatSourceCommand command = set;
  return heat(command, "setting the target", switched_off_, When::in_turn);
}

asio::awaitable<Result<void>> LineHeatSource::heat(HeatSourceCommand command, std::string_view doing, bool heats_not,
                                                   When when) {
  const Result<void> started = instrument_.started(doing);
  if (!started && !heats_not) co_return started;
  co_return co_await instrument_.tell(command, doing, when);
}

asio::awaitable<Result<double>> LineHeatSource::ask_number(HeatSourceCommand command, std::string_view doing) {
  const Result<Answer> answer = co_await instrument_.ask(command, doing);
  if (!answer) co_return answer.error();
  co_return std::get<double>(*answer);
}

asio::awaitable<Result<double>> LineHeatSource::read_target() {
  const HeatSourceCommand command = AskTarget();
  return ask_number(command, "reading the target back");
}

asio::awaitable<Result<double>> LineHeatSource::read_temperature() {
  const HeatSourceCommand command = AskTemperature();
  return ask_number(command, "reading the temperature");
}

asio::awaitable<Result<void>> LineHeatSource::set_output(bool on) {
  if (!on) return switch_off();
  switched_off_ = false;
  SetOutput set;
  set.on = true;
  const HeatSourceCommand command = set;
  return heat(command, "switching the output on", false, When::as_last_seen);
}

asio::awaitable<Result<void>> LineHeatSource::switch_off() {
  const HeatSourceCommand off = SetOutput();
  Result<void> first = co_await instrument_.tell(off, "switching the output off", When::at_once);
  switched_off_ = first.ok();
  const std::size_t steps = instrument_.steps(Steps::park);
  for (std::size_t index = 0; index < steps; ++index) {
    if (!first && first.error().code != Errc::refused && first.error().code != Errc::mismatch) break;
    RunStep step;
    step.steps = Steps::park;
    step.index = index;
    const HeatSourceCommand command = step;
    const Result<void> done = co_await instrument_.tell(command, "taking a parking step");
    if (!done && first) first = done;
  }
  co_return first;
}

asio::awaitable<Result<bool>> LineHeatSource::read_output() {
  const HeatSourceCommand command = AskOutput();
  const Result<Answer> answer = co_await instrument_.ask(command, "reading the output state");
  if (!answer) co_return answer.error();
  co_return std::get<bool>(*answer);
}

void LineHeatSource::close() {
  instrument_.close();
}

}  // namespace nightwell::instrument
