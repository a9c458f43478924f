// A scanner made of a codec and a line.
#pragma once

#include "instrument/line_instrument.hpp"
#include "instrument/scanner.hpp"

namespace nightwell::instrument {

// Destroy it only when no call is pending (close() first, then let the call end).
class LineScanner final : public Scanner {
 public:
  LineScanner(asio::io_context& io, ConnectionSettings settings, std::unique_ptr<ScannerCodec> codec);
  LineScanner(std::unique_ptr<Wire> wire, ConnectionSettings settings, std::unique_ptr<ScannerCodec> codec);
  asio::awaitable<Result<Identity>> identify() override;
  // Sends nothing where the codec needs nothing (SCPI: MEASure configures with every reading); refuses what
  // it cannot express (bad_input).
  asio::awaitable<Result<void>> configure(ChannelSetup channel) override;
  asio::awaitable<Result<Reading>> read(ChannelSetup channel) override;
  [[nodiscard]] std::uint64_t asked_again() const override { return instrument_.asked_again(); }
  void close() override;

 private:
  LineInstrument<ScannerCodec> instrument_;
};

}  // namespace nightwell::instrument
