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

// The calls of one instrument, each written down from its begin to its end.
class Notebook {
 public:
  explicit Notebook(std::shared_ptr<WireRecorder> recorder) : recorder_(std::move(recorder)) {}

  template <class Value>
  asio::awaitable<Result<Value>> note(std::string call, asio::awaitable<Result<Value>> made) {
    Noted noted(*recorder_, busy_, call);
    Result<Value> result = co_await std::move(made);
    noted.gave(outcome(result));
    co_return result;
  }

 private:
  std::shared_ptr<WireRecorder> recorder_;
  bool busy_ = false;
};

class RecordedScanner final : public Scanner {
 public:
  RecordedScanner(std::unique_ptr<Scanner> scanner, std::shared_ptr<WireRecorder> recorder)
      : scanner_(std::move(scanner)), calls_(std::move(recorder)) {}

  asio::awaitable<Result<Identity>> identify() override { return calls_.note("identify", scanner_->identify()); }
  asio::awaitable<Result<void>> configure(ChannelSetup channel) override {
    return calls_.note("configure " + told(channel), scanner_->configure(channel));
  }
  asio::awaitable<Result<Reading>> read(ChannelSetup channel) override {
    return calls_.note("read " + told(channel), scanner_->read(channel));
  }
  [[nodiscard]] std::uint64_t asked_again() const override { return scanner_->asked_again(); }
  void close() override { scanner_->close(); }

 private:
  static std::string told(const ChannelSetup& channel) {
    return std::to_string(channel.address) + " " + std::string(nightwell::name(channel.measures));
  }

  std::unique_ptr<Scanner> scanner_;
  Notebook calls_;
};

class RecordedHeatSource final : public HeatSource {
 public:
  RecordedHeatSource(std::unique_ptr<HeatSource> source, std::shared_ptr<WireRecorder> recorder)
      : source_(std::move(source)), calls_(std::move(recorder)) {}

  asio::awaitable<Result<Identity>> identify() override { return calls_.note("identify", source_->identify()); }
  asio::awaitable<Result<void>> set_target(double t_c) override {
    return calls_.note("set_target " + plain_number(t_c), source_->set_target(t_c));
  }
  asio::awaitable<Result<double>> read_target() override { return calls_.note("read_target", source_->read_target()); }
  asio::awaitable<Result<double>> read_temperature() override {
    return calls_.note("read_temperature", source_->read_temperature());
  }
  asio::awaitable<Result<void>> set_output(bool on) override {
    return calls_.note(on ? "set_output on" : "set_output off", source_->set_output(on));
  }
  asio::awaitable<Result<bool>> read_output() override { return calls_.note("read_output", source_->read_output()); }
  void close() override { source_->close(); }

 private:
  std::unique_ptr<HeatSource> source_;
  Notebook calls_;
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
