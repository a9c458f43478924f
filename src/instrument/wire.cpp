#include "instrument/wire.hpp"

#include <asio/steady_timer.hpp>
#include <chrono>
#include <utility>

#include "instrument/awaitable.hpp"
#include "instrument/open_port.hpp"
#include "instrument/recording_wire.hpp"

namespace nightwell::instrument {

namespace {

class RealWire final : public Wire {
 public:
  RealWire(asio::io_context& io, Port port) : io_(io), port_(std::move(port)), pause_(io) {}

  [[nodiscard]] SteadyTime now() const override { return std::chrono::steady_clock::now(); }
  asio::awaitable<void> pause(Duration length) override {
    pause_.expires_after(length);
    co_await pause_.async_wait(use_tuple);
  }
  void end_pause() override { pause_.cancel(); }
  [[nodiscard]] std::shared_ptr<BytePort> make_port() override { return std::make_shared<OpenPort>(io_, port_); }
  [[nodiscard]] std::optional<PtyMark> pty_behind() const override {
    const auto* pty = std::get_if<PtyPort>(&port_);
    return pty ? pty_mark(*pty) : std::nullopt;
  }

 private:
  asio::io_context& io_;
  Port port_;
  asio::steady_timer pause_;
};

}  // namespace

std::unique_ptr<Wire> make_wire(asio::io_context& io, Port port) {
  return std::make_unique<RealWire>(io, std::move(port));
}

std::unique_ptr<Wire> make_wire(asio::io_context& io, const ConnectionSettings& settings) {
  auto wire = make_wire(io, settings.port);
  return settings.recorder ? recorded(std::move(wire), settings.recorder) : std::move(wire);
}

}  // namespace nightwell::instrument
