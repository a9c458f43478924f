#include "instrument/recording_wire.hpp"

#include <utility>

namespace nightwell::instrument {

namespace {

class RecordedPort final : public BytePort {
 public:
  RecordedPort(std::shared_ptr<BytePort> port, std::shared_ptr<WireRecorder> recorder)
      : port_(std::move(port)), recorder_(std::move(recorder)) {}

  asio::awaitable<Result<void>> open(SteadyTime deadline) override {
    hang_up_told_ = false;
    Result<void> done = co_await port_->open(deadline);
    if (done)
      recorder_->opened();
    else
      recorder_->not_opened(done.error());
    co_return done;
  }

  asio::awaitable<Result<void>> write_all(std::string_view bytes, SteadyTime deadline) override {
    Result<void> done = co_await port_->write_all(bytes, deadline);
    if (done) {
      recorder_->sent(bytes);
    } else {
      recorder_->not_sent(bytes, done.error());
      look_for_hang_up(true);
    }
    co_return done;
  }

  asio::awaitable<Result<std::size_t>> read_some(std::span<char> into, SteadyTime deadline) override {
    Result<std::size_t> count = co_await port_->read_some(into, deadline);
    if (count)
      recorder_->received(std::string_view(into.data(), *count), deadline);
    else
      look_for_hang_up(false);
    co_return count;
  }

  Result<std::size_t> read_now(std::span<char> into) override {
    Result<std::size_t> count = port_->read_now(into);
    if (!count)
      look_for_hang_up(true);
    else if (*count > 0)
      recorder_->found(std::string_view(into.data(), *count));
    return count;
  }

  bool write_now(std::string_view bytes) override {
    const bool whole = port_->write_now(bytes);
    if (whole)
      recorder_->sent(bytes);
    else
      recorder_->not_sent(bytes, Error{Errc::no_answer, "sending at once", "the line did not take all of it", ""});
    return whole;
  }

  [[nodiscard]] bool is_open() const override { return port_->is_open(); }
  [[nodiscard]] bool has_hung_up() const override { return port_->has_hung_up(); }
  void close() override {
    if (port_->is_open() && !hang_up_told_) recorder_->closed();
    port_->close();
  }

 private:
  void look_for_hang_up(bool lay_there) {
    if (port_->has_hung_up() && !std::exchange(hang_up_told_, true)) recorder_->hung_up(lay_there);
  }

  std::shared_ptr<BytePort> port_;
  std::shared_ptr<WireRecorder> recorder_;
  bool hang_up_told_ = false;
};

class RecordedWire final : public Wire {
 public:
  RecordedWire(std::unique_ptr<Wire> wire, std::shared_ptr<WireRecorder> recorder)
      : wire_(std::move(wire)), recorder_(std::move(recorder)) {}
  [[nodiscard]] SteadyTime now() const override { return wire_->now(); }
  asio::awaitable<void> pause(Duration length) override { return wire_->pause(length); }
  void end_pause() override { wire_->end_pause(); }
  [[nodiscard]] std::shared_ptr<BytePort> make_port() override {
    return std::make_shared<RecordedPort>(wire_->make_port(), recorder_);
  }
  [[nodiscard]] std::optional<PtyMark> pty_behind() const override { return wire_->pty_behind(); }

 private:
  std::unique_ptr<Wire> wire_;
  std::shared_ptr<WireRecorder> recorder_;
};

}  // namespace

std::unique_ptr<Wire> recorded(std::unique_ptr<Wire> wire, std::shared_ptr<WireRecorder> recorder) {
  return std::make_unique<RecordedWire>(std::move(wire), std::move(recorder));
}

}  // namespace nightwell::instrument
