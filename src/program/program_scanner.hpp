// A scanner whose driver is a program of its own.
#pragma once

#include <string>
#include <vector>

#include "instrument/scanner.hpp"
#include "program/conversation.hpp"

namespace nightwell::program {

// A program that died is started again by the next reading: the identity must be the one first learned, and the channels are
// configured again. A reading during which it died is asked for once more, and marked odd.
// Destroy it only when no call is pending (close() first, then let the call end).
class ProgramScanner final : public instrument::Scanner {
 public:
  ProgramScanner(asio::io_context& io, instrument::ConnectionSettings settings, Patience patience = Patience());
  asio::awaitable<Result<instrument::Identity>> identify() override;
  asio::awaitable<Result<void>> configure(instrument::ChannelSetup channel) override;
  asio::awaitable<Result<instrument::Reading>> read(instrument::ChannelSetup channel) override;
  [[nodiscard]] std::uint64_t asked_again() const override { return asked_again_ + conversation_.asked_again(); }
  void close() override;

 private:
  asio::awaitable<Result<instrument::Identity>> identify_in_turn();
  asio::awaitable<Result<void>> configure_in_turn(instrument::ChannelSetup channel);
  asio::awaitable<Result<instrument::Reading>> read_in_turn(instrument::ChannelSetup channel);
  asio::awaitable<Result<void>> restore();
  [[nodiscard]] Error named(Error error, const std::string& doing) const;

  instrument::ConnectionSettings settings_;
  Conversation conversation_;
  std::string identity_;  // as first learned; empty: not yet
  std::vector<instrument::ChannelSetup> configured_;
  std::uint64_t asked_again_ = 0;
  bool talking_ = false, open_ = false;
};

}  // namespace nightwell::program
