#include "instrument/recording_calls.hpp"

#include <array>
#include <charconv>
#include <utility>

#include "nightwell/quantity.hpp"

namespace nightwell::instrument {

namespace {

std::string failure(const Error& error) {
  return std::string("error ") + name(error.code) + ": " + error.text();
}

// Without the words for people: a log is compared by the code alone.
std::string in_the_log(const std::string& outcome) {
  return outcome.starts_with("error ") ? outcome.substr(0, outcome.find(':')) : outcome;
}

std::string plain_number(double value) {
  std::array<char, 64> text{};
  const auto [end, problem] = std::to_chars(text.data(), text.data() + text.size(), value);
  return std::string(text.data(), end);
}

// One call from its begin to its end. A call that comes while another is going on (heat off) is a remark: wire logs know
// one call at a time.
class Noted {
 public:
  Noted(WireRecorder& recorder, bool& busy, const std::string& call) : recorder_(recorder), busy_(busy), inside_(busy) {
    busy_ = true;
    if (inside_)
      recorder_.remark("while that call was going on: " + call);
    else
      recorder_.called(call);
  }
  Noted(const Noted&) = delete;
  Noted& operator=(const Noted&) = delete;
  ~Noted() {
    if (!inside_) busy_ = false;
  }
  void gave(const std::string& result) {
    if (inside_)
      recorder_.remark("it gave " + in_the_log(result));
    else
      recorder_.gave(in_the_log(result));
  }

 private:
  WireRecorder& recorder_;
  bool& busy_;
  bool inside_;
};

class RecordedScanner final : public Scanner {
 public:
  RecordedScanner(std::unique_ptr<Scanner> scanner, std::shared_ptr<WireRecorder> recorder)
      : scanner_(std::move(scanner)), recorder_(std::move(recorder)) {}

  asio::awaitable<Result<Identity>> identify() override {
    Noted noted(*recorder_, busy_, "identify");
    Result<Identity> identity = co_await scanner_->identify();
    noted.gave(outcome(identity));
    co_return identity;
  }
  asio::awaitable<Result<void>> configure(ChannelSetup channel) override {
    Noted noted(*recorder_, busy_, "configure " + told(channel));
    Result<void> done = co_await scanner_->configure(channel);
    noted.gave(outcome(done));
    co_return done;
  }
  asio::awaitable<Result<Reading>> read(ChannelSetup channel) override {
    Noted noted(*recorder_, busy_, "read " + told(channel));
    Result<Reading> reading = co_await scanner_->read(channel);
    noted.gave(outcome(reading));
    co_return reading;
  }
  [[nodiscard]] std::uint64_t asked_again() const override { return scanner_->asked_again(); }
  void close() override { scanner_->close(); }

 private:
  static std::string told(const ChannelSetup& channel) {
    return std::to_string(channel.address) + " " + std::string(nightwell::name(channel.measures));
  }

  std::unique_ptr<Scanner> scanner_;
  std::shared_ptr<WireRecorder> recorder_;
  bool busy_ = false;
};

class RecordedHeatSource final : public HeatSource {
 public:
  RecordedHeatSource(std::unique_ptr<HeatSource> source, std::shared_ptr<WireRecorder> recorder)
      : source_(std::move(source)), recorder_(std::move(recorder)) {}

  asio::awaitable<Result<Identity>> identify() override {
    Noted noted(*recorder_, busy_, "identify");
    Result<Identity> identity = co_await source_->identify();
    noted.gave(outcome(identity));
    co_return identity;
  }
  asio::awaitable<Result<void>> set_target(double t_c) override {
    Noted noted(*recorder_, busy_, "set_target " + plain_number(t_c));
    Result<void> done = co_await source_->set_target(t_c);
    noted.gave(outcome(done));
    co_return done;
  }
  asio::awaitable<Result<double>> read_target() override {
    Noted noted(*recorder_, busy_, "read_target");
    Result<double> t_c = co_await source_->read_target();
    noted.gave(outcome(t_c));
    co_return t_c;
  }
  asio::awaitable<Result<double>> read_temperature() override {
    Noted noted(*recorder_, busy_, "read_temperature");
    Result<double> t_c = co_await source_->read_temperature();
    noted.gave(outcome(t_c));
    co_return t_c;
  }
  asio::awaitable<Result<void>> set_output(bool on) override {
    Noted noted(*recorder_, busy_, on ? "set_output on" : "set_output off");
    Result<void> done = co_await source_->set_output(on);
    noted.gave(outcome(done));
    co_return done;
  }
  asio::awaitable<Result<bool>> read_output() override {
    Noted noted(*recorder_, busy_, "read_output");
    Result<bool> on = co_await source_->read_output();
    noted.gave(outcome(on));
    co_return on;
  }
  void close() override { source_->close(); }

 private:
  std::unique_ptr<HeatSource> source_;
  std::shared_ptr<WireRecorder> recorder_;
  bool busy_ = false;
};

}  // namespace

std::unique_ptr<Scanner> recorded(std::unique_ptr<Scanner> scanner, std::shared_ptr<WireRecorder> recorder) {
  return std::make_unique<RecordedScanner>(std::move(scanner), std::move(recorder));
}
std::unique_ptr<HeatSource> recorded(std::unique_ptr<HeatSource> source, std::shared_ptr<WireRecorder> recorder) {
  return std::make_unique<RecordedHeatSource>(std::move(source), std::move(recorder));
}

std::string outcome(const Result<void>& done) {
  return done ? "done" : failure(done.error());
}
std::string outcome(const Result<bool>& state) {
  if (!state) return failure(state.error());
  return *state ? "on" : "off";
}
std::string outcome(const Result<double>& value) {
  return value ? plain_number(*value) : failure(value.error());
}
std::string outcome(const Result<Reading>& reading) {
  if (!reading) return failure(reading.error());
  return plain_number(reading->value) + (reading->odd ? " odd" : "");
}
std::string outcome(const Result<Identity>& identity) {
  if (!identity) return failure(identity.error());
  std::string text = identity->text;
  for (const std::string& error : identity->old_errors) text += " | " + error;
  return text;
}

}  // namespace nightwell::instrument
