#include "program/program_heat_source.hpp"

#include <asio/error.hpp>
#include <cmath>
#include <utility>

#include "program/calls.hpp"

namespace nightwell::program {

using instrument::Identity;

namespace {

constexpr double largest_target_c = 10'000;

Error not_identified() {
  return Error{Errc::refused, "", "nothing that heats is sent before an identity has answered; identify it again", ""};
}
Error changed() {
  return Error{Errc::refused, "", "the driver's file has changed since the plan was made: it may only switch off", ""};
}
Error impossible_target() {
  return Error{Errc::bad_input, "", "a target is a number within 10,000 °C", ""};
}

}  // namespace

ProgramHeatSource::ProgramHeatSource(asio::io_context& io, instrument::ConnectionSettings settings, Patience patience)
    : settings_(settings), conversation_(io, std::move(settings), Role::heat_source, patience) {}

Error ProgramHeatSource::named(Error error, const std::string& doing) const {
  return named_error(std::move(error), doing, settings_);
}

void ProgramHeatSource::close() {
  conversation_.close();
}

asio::awaitable<Result<Identity>> ProgramHeatSource::identify() {
  const std::string doing = "asking the identity";
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  switched_off_ = false;
  try {
    Result<Identity> identity = co_await identify_in_turn();
    if (!identity) co_return named(identity.error(), doing);
    co_return identity;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<void>> ProgramHeatSource::set_target(double t_c) {
  // JSON has no such numbers, and no heat source such targets.
  if (!std::isfinite(t_c) || std::abs(t_c) > largest_target_c)
    co_return named(impossible_target(), "setting the target");
  if (conversation_.is_running() && !identified_ && !switched_off_)
    co_return named(not_identified(), "setting the target");
  if (conversation_.has_changed() && !switched_off_) co_return named(changed(), "setting the target");
  SetTarget set;
  set.t_c = t_c;
  const Ask what = set;
  const Result<Value> done = co_await call(what, "setting the target");
  if (!done) co_return done.error();
  co_return Result<void>();
}

asio::awaitable<Result<double>> ProgramHeatSource::read_target() {
  const Ask what = ReadTarget();
  const Result<Value> value = co_await call(what, "reading the target back");
  if (!value) co_return value.error();
  co_return std::get<double>(*value);
}

asio::awaitable<Result<double>> ProgramHeatSource::read_temperature() {
  const Ask what = ReadTemperature();
  const Result<Value> value = co_await call(what, "reading the temperature");
  if (!value) co_return value.error();
  co_return std::get<double>(*value);
}

asio::awaitable<Result<bool>> ProgramHeatSource::read_output() {
  const Ask what = ReadOutput();
  const Result<Value> value = co_await call(what, "reading the output state");
  if (!value) co_return value.error();
  co_return std::get<bool>(*value);
}

asio::awaitable<Result<void>> ProgramHeatSource::set_output(bool on) {
  if (!on) co_return co_await switch_off();
  const std::string doing = "switching the output on";
  if (conversation_.has_changed()) co_return named(changed(), doing);
  switched_off_ = false;
  if (conversation_.is_running() && !identified_) co_return named(not_identified(), doing);
  SetOutput set;
  set.on = true;
  const Ask what = set;
  const Result<Value> done = co_await call(what, doing);
  if (!done) co_return done.error();
  co_return Result<void>();
}

asio::awaitable<Result<Value>> ProgramHeatSource::call(Ask what, std::string doing) {
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  try {
    Result<Value> value = co_await ask_in_turn(what);
    if (!value) co_return named(value.error(), doing);
    co_return value;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<Value>> ProgramHeatSource::ask_in_turn(Ask what) {
  const Result<Answer> answer = co_await conversation_.ask(what);
  if (!answer) co_return answer.error();
  co_return answer->value;
}

asio::awaitable<Result<void>> ProgramHeatSource::switch_off() {
  const std::string doing = "switching the output off";
  if (talking_) {
    const Ask what = SetOutput();
    conversation_.send_regardless(what);
    co_return named(overlapping(), doing);
  }
  const Turn turn(talking_);
  try {
    const Result<void> done = co_await switch_off_in_turn();
    switched_off_ = done.ok();
    if (!done) co_return named(done.error(), doing);
    co_return done;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<void>> ProgramHeatSource::switch_off_in_turn() {
  const Ask what = SetOutput();
  if (conversation_.is_running()) {
    const Result<Value> done = co_await ask_in_turn(what);
    if (done) co_return Result<void>();
    // Its own word counts; where it has none any more, another one gets it done.
    if (conversation_.is_running()) co_return done.error();
  }
  const Result<Identity> identity = co_await identify_in_turn();
  if (!conversation_.is_running()) co_return identity.error();
  const Result<Value> done = co_await ask_in_turn(what);
  if (!done) co_return done.error();
  co_return Result<void>();
}

asio::awaitable<Result<Identity>> ProgramHeatSource::identify_in_turn() {
  identified_ = false;
  const auto how = identity_.empty() ? Conversation::Start::gently : Conversation::Start::to_switch_off;
  const Result<void> started = co_await conversation_.start(how);
  if (!started) co_return started.error();
  const Ask what = Identify();
  const Result<Answer> answer = co_await conversation_.ask(what);
  if (!answer) co_return answer.error();
  if (!answer->value) co_return answer->value.error();
  const auto& identity = std::get<Identity>(*answer->value);
  const Result<void> right = check_identity(identity.text, settings_.identity, identity_);
  if (!right) {
    conversation_.close();
    co_return right.error();
  }
  identity_ = identity.text;
  identified_ = true;
  co_return identity;
}

}  // namespace nightwell::program
