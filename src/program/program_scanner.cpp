#include "program/program_scanner.hpp"

#include <algorithm>
#include <asio/error.hpp>
#include <utility>

#include "program/calls.hpp"

namespace nightwell::program {

using instrument::ChannelSetup;
using instrument::Identity;
using instrument::Reading;

namespace {

// What the protocol has no words for would end the conversation.
bool can_be_said(const ChannelSetup& channel) {
  return channel.address >= 0 && channel.address <= highest_channel;
}
Error impossible_channel() {
  return Error{Errc::bad_input, "",
               "a channel's address is a whole number from 0 to " + std::to_string(highest_channel), ""};
}

}  // namespace

ProgramScanner::ProgramScanner(asio::io_context& io, instrument::ConnectionSettings settings, Patience patience)
    : settings_(settings), conversation_(io, std::move(settings), Role::scanner, patience) {}

Error ProgramScanner::named(Error error, const std::string& doing) const {
  return named_error(std::move(error), doing, settings_);
}

void ProgramScanner::close() {
  open_ = false;
  conversation_.close();
}

asio::awaitable<Result<Identity>> ProgramScanner::identify() {
  const std::string doing = "asking the identity";
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  open_ = true;
  try {
    Result<Identity> identity = co_await identify_in_turn();
    if (!identity) co_return named(identity.error(), doing);
    co_return identity;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<void>> ProgramScanner::configure(ChannelSetup channel) {
  const std::string doing = "configuring channel " + std::to_string(channel.address);
  if (!can_be_said(channel)) co_return named(impossible_channel(), doing);
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  try {
    const Result<void> done = co_await configure_in_turn(channel);
    if (!done) co_return named(done.error(), doing);
    const auto same = [&](const ChannelSetup& other) { return other.address == channel.address; };
    configured_.erase(std::remove_if(configured_.begin(), configured_.end(), same), configured_.end());
    configured_.push_back(channel);
    co_return done;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<Reading>> ProgramScanner::read(ChannelSetup channel) {
  const std::string doing = "reading channel " + std::to_string(channel.address);
  if (!can_be_said(channel)) co_return named(impossible_channel(), doing);
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  try {
    Result<Reading> reading = co_await read_in_turn(channel);
    if (!reading && reading.error().code == Errc::port_gone && open_ && !conversation_.is_running()) {
      ++asked_again_;
      reading = co_await read_in_turn(channel);
      if (reading) reading->odd = true;
    }
    if (!reading) co_return named(reading.error(), doing);
    co_return reading;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

asio::awaitable<Result<Identity>> ProgramScanner::identify_in_turn() {
  const Result<void> started = co_await conversation_.start(Conversation::Start::gently);
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
  co_return identity;
}

asio::awaitable<Result<void>> ProgramScanner::configure_in_turn(ChannelSetup channel) {
  Configure configure;
  configure.channel = channel;
  const Ask what = configure;
  const Result<Answer> answer = co_await conversation_.ask(what);
  if (!answer) co_return answer.error();
  if (!answer->value) co_return answer->value.error();
  co_return Result<void>();
}

asio::awaitable<Result<Reading>> ProgramScanner::read_in_turn(ChannelSetup channel) {
  if (!open_ || identity_.empty()) co_return closed();
  if (!conversation_.is_running()) {
    const Result<void> there = co_await restore();
    if (!there) co_return there.error();
  }
  Read read_channel;
  read_channel.channel = channel;
  const Ask what = read_channel;
  const Result<Answer> answer = co_await conversation_.ask(what);
  if (!answer) co_return answer.error();
  if (!answer->value) co_return answer->value.error();
  co_return std::get<Reading>(*answer->value);
}

// What a new program must know before it is asked for a value.
asio::awaitable<Result<void>> ProgramScanner::restore() {
  const Result<Identity> identity = co_await identify_in_turn();
  if (!identity) co_return identity.error();
  for (std::size_t i = 0; i < configured_.size(); ++i) {
    const Result<void> done = co_await configure_in_turn(configured_[i]);
    if (!done) {
      conversation_.close();
      co_return done.error();
    }
  }
  co_return Result<void>();
}

}  // namespace nightwell::program
