#include "instrument/line_scanner.hpp"

#include <utility>

namespace nightwell::instrument {

namespace {

Error with_channel(Error error, int address) {
  error.doing += ", channel " + std::to_string(address);
  return error;
}

}  // namespace

LineScanner::LineScanner(asio::io_context& io, ConnectionSettings settings, std::unique_ptr<ScannerCodec> codec)
    : instrument_(io, std::move(settings), std::move(codec)) {}

LineScanner::LineScanner(std::unique_ptr<Wire> wire, ConnectionSettings settings, std::unique_ptr<ScannerCodec> codec)
    : instrument_(std::move(wire), std::move(settings), std::move(codec)) {}

asio::awaitable<Result<Identity>> LineScanner::identify() {
  return instrument_.identify();
}

asio::awaitable<Result<void>> LineScanner::configure(ChannelSetup channel) {
  ConfigureChannel configure;
  configure.channel = channel;
  const ScannerCommand command = configure;
  const Result<bool> silent = instrument_.needs_nothing(command);
  if (!silent) co_return with_channel(silent.error(), channel.address);
  if (*silent) co_return Result<void>();
  const Result<void> done = co_await instrument_.tell(command, "configuring a channel");
  if (!done) co_return with_channel(done.error(), channel.address);
  co_return done;
}

asio::awaitable<Result<Reading>> LineScanner::read(ChannelSetup channel) {
  ReadChannel read_channel;
  read_channel.channel = channel;
  const ScannerCommand command = read_channel;
  const Result<Answer> answer = co_await instrument_.ask(command, "reading a channel");
  if (!answer) co_return with_channel(answer.error(), channel.address);
  Reading reading;
  reading.value = std::get<double>(*answer);
  reading.text = instrument_.last_text();
  reading.odd = instrument_.last_was_odd();
  co_return reading;
}

void LineScanner::close() {
  instrument_.close();
}

}  // namespace nightwell::instrument
