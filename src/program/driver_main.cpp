// The driver's side of "nightwell-driver/1": one conversation with the host on standard input and output.
//
// A request that comes while another is carried out takes its place: the host waits for that one no longer. Its call is cancelled,
// and it gets no answer.
#include <fcntl.h>
#include <poll.h>
#include <unistd.h>

#include <array>
#include <asio/bind_cancellation_slot.hpp>
#include <asio/buffer.hpp>
#include <asio/cancellation_signal.hpp>
#include <asio/co_spawn.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/signal_set.hpp>
#include <asio/steady_timer.hpp>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <exception>
#include <optional>
#include <utility>
#include <variant>

#include "instrument/awaitable.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "nightwell/driver/instrument_main.hpp"
#include "nightwell/instrument/scpi.hpp"
#include "program/protocol.hpp"

namespace nightwell::driver {

namespace {

using namespace program;  // NOLINT: this file is that protocol's other end
using instrument::HeatSource;
using instrument::Scanner;

constexpr int exit_done = 0, exit_not_off = 1, exit_protocol = 2;
constexpr std::chrono::seconds off_limit{25};  // of the 30 s that the host waits before it kills
constexpr std::chrono::milliseconds off_pause{500};

using Device = std::variant<std::unique_ptr<Scanner>, std::unique_ptr<HeatSource>>;
using Make = std::function<Result<Device>(asio::io_context&, const Given&)>;

void complain(const std::string& text) {
  const std::string line = instrument::printable(text, 500) + "\n";
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

// Standard output is the protocol's: whatever else prints there goes to standard error. -1: no descriptor to be had.
int take_standard_output() {
  const int ours = ::fcntl(STDOUT_FILENO, F_DUPFD_CLOEXEC, STDERR_FILENO + 1);
  if (ours >= 0) ::dup2(STDERR_FILENO, STDOUT_FILENO);
  return ours;
}

template <class T>
Result<Value> as_value(const Result<T>& result) {
  if (!result) return result.error();
  return Value(*result);
}
Result<Value> as_value(const Result<void>& result) {
  if (!result) return result.error();
  return Value(Done());
}

Error not_mine(const char* what) {
  return Error{Errc::refused, "", std::string("this driver is for a ") + what, ""};
}

asio::awaitable<Result<Value>> carry_out_on_scanner(Scanner& scanner, Ask ask) {
  if (std::holds_alternative<Identify>(ask)) co_return as_value(co_await scanner.identify());
  if (const auto* configure = std::get_if<Configure>(&ask))
    co_return as_value(co_await scanner.configure(configure->channel));
  if (const auto* read = std::get_if<Read>(&ask)) co_return as_value(co_await scanner.read(read->channel));
  co_return not_mine("scanner");
}

asio::awaitable<Result<Value>> carry_out_on_source(HeatSource& source, Ask ask) {
  if (std::holds_alternative<Identify>(ask)) co_return as_value(co_await source.identify());
  if (const auto* set = std::get_if<SetTarget>(&ask)) co_return as_value(co_await source.set_target(set->t_c));
  if (const auto* set = std::get_if<SetOutput>(&ask)) co_return as_value(co_await source.set_output(set->on));
  if (std::holds_alternative<ReadTarget>(ask)) co_return as_value(co_await source.read_target());
  if (std::holds_alternative<ReadTemperature>(ask)) co_return as_value(co_await source.read_temperature());
  if (std::holds_alternative<ReadOutput>(ask)) co_return as_value(co_await source.read_output());
  co_return not_mine("heat source");
}

bool heats(const Ask& ask) {
  const auto* output = std::get_if<SetOutput>(&ask);
  return std::holds_alternative<SetTarget>(ask) || (output != nullptr && output->on);
}

bool host_is_gone() {
  pollfd input{STDIN_FILENO, POLLRDHUP, 0};
  return ::poll(&input, 1, 0) == 1 && (input.revents & (POLLHUP | POLLRDHUP | POLLERR)) != 0;
}

class Server {
 public:
  Server(asio::io_context& io, About about, Role role, Make make, int output)
      : io_(io),
        about_(std::move(about)),
        role_(role),
        make_(std::move(make)),
        output_(output),
        input_(io),
        deadline_(io),
        pause_(io),
        signals_(io, SIGTERM, SIGINT, SIGHUP) {}

  void start() {
    input_.assign(::dup(STDIN_FILENO));
    input_.non_blocking(true);
    signals_.async_wait([this](const asio::error_code& error, int) {
      if (!error) input_ended();
    });
    listen();
  }
  [[nodiscard]] int exit_code() const { return exit_code_; }

 private:
  void listen() {
    input_.async_read_some(asio::buffer(heard_), [this](const asio::error_code& error, std::size_t size) {
      if (ending_) return;
      if (error) return input_ended();
      lines_.add(std::string_view(heard_.data(), size));
      while (auto line = lines_.next())
        if (!ending_) take(*line);
      if (lines_.too_long()) give_up("the host wrote a line that is too long");
      if (!ending_) listen();
    });
  }

  void take(const std::string& line) {
    if (!device_) return greet(line);
    const Result<Request> request = parse_request(line);
    if (!request) return give_up(request.error().text());
    if (const auto* unknown = std::get_if<Unknown>(&request->ask)) {
      Answer answer;
      answer.id = request->id;
      answer.value =
          Error{Errc::refused, "", "this driver knows no request \"" + instrument::printable(unknown->word) + "\"", ""};
      return say(to_line(answer));
    }
    next_ = *request;
    if (busy_) return cancel_.emit(asio::cancellation_type::terminal);
    begin();
  }

  void greet(const std::string& line) {
    const Result<Hello> hello = parse_hello(line);
    if (!hello) return give_up(hello.error().text());
    Welcome welcome;
    welcome.driver = about_.name;
    welcome.revision = about_.revision;
    const Given given{hello->instrument, hello->port, hello->reply, hello->identity};
    if (hello->role != role_)
      welcome.error = not_mine(role_ == Role::scanner ? "scanner" : "heat source");
    else if (auto made = make_(io_, given))
      device_ = std::move(*made);
    else
      welcome.error = made.error();
    say(to_line(welcome));
    if (welcome.error) give_up(welcome.error->text());
  }

  // ---- a request from its begin to its answer ----

  void begin() {
    const Request request = *std::exchange(next_, std::nullopt);
    // What a dead host left in the pipe is not carried out; its end of input comes right behind.
    if (heats(request.ask) && host_is_gone()) return input_ended();
    busy_ = asked_ = true;
    timed_out_ = false;
    asked_again_ = times_asked_again();
    if (const auto* set = std::get_if<SetOutput>(&request.ask); set != nullptr && set->on) told_to_heat_ = true;
    deadline_.expires_after(request.within);
    deadline_.async_wait([this](const asio::error_code& error) {
      if (error || !busy_) return;
      timed_out_ = true;
      cancel_.emit(asio::cancellation_type::terminal);
    });
    outcome_.reset();
    asio::co_spawn(io_, carry_out(request.ask),
                   asio::bind_cancellation_slot(cancel_.slot(), [this, request](const std::exception_ptr& failure) {
                     on_done(request, failure);
                   }));
  }

  asio::awaitable<void> carry_out(Ask ask) {
    if (auto* scanner = std::get_if<std::unique_ptr<Scanner>>(&*device_))
      outcome_ = co_await carry_out_on_scanner(**scanner, std::move(ask));
    else
      outcome_ = co_await carry_out_on_source(*std::get<std::unique_ptr<HeatSource>>(*device_), std::move(ask));
  }

  void on_done(const Request& request, const std::exception_ptr& failure) {
    busy_ = false;
    deadline_.cancel();
    Result<Value> value =
        outcome_ ? std::move(*outcome_) : Result<Value>(Error{Errc::unexpected, "", text_of(failure), ""});
    note_output(value);
    if (ending_) return end();
    if (next_) return begin();
    if (timed_out_ && !value)
      value = Error{Errc::no_answer, "",
                    "not done within " + std::to_string(request.within.count() / 1000) + " ms: " + value.error().text(),
                    ""};
    Answer answer;
    answer.id = request.id;
    // What was asked, of what, the host knows and says itself.
    if (!value) value = Error{value.error().code, "", value.error().detail, value.error().where};
    answer.value = std::move(value);
    answer.asked_again = times_asked_again() - asked_again_;
    say(to_line(answer));
  }

  // An output that was read as off is off, whatever was told before.
  void note_output(const Result<Value>& value) {
    if (!value) return;
    if (const auto* on = std::get_if<bool>(&*value)) told_to_heat_ = *on;
  }

  static std::string text_of(const std::exception_ptr& failure) {
    if (!failure) return "the call ended without an outcome";
    try {
      std::rethrow_exception(failure);
    } catch (const std::exception& e) {
      return e.what();
    } catch (...) {
      return "an exception of an unknown type";
    }
  }

  [[nodiscard]] std::uint64_t times_asked_again() const {
    const auto* scanner = device_ ? std::get_if<std::unique_ptr<Scanner>>(&*device_) : nullptr;
    return scanner != nullptr ? (*scanner)->asked_again() : 0;
  }

  // One write: a host that reads gets it whole, one that is gone is noticed at the end of standard input.
  void say(const std::string& line) {
    for (std::size_t at = 0; at < line.size();) {
      const ssize_t put = ::write(output_, line.data() + at, line.size() - at);
      if (put < 0 && errno == EINTR) continue;
      if (put <= 0) return;
      at += static_cast<std::size_t>(put);
    }
  }

  // ---- the end ----

  void give_up(const std::string& why) {
    complain(why);
    exit_code_ = exit_protocol;
    input_ended();
  }

  void input_ended() {
    if (std::exchange(ending_, true)) return;
    input_.cancel();
    if (busy_)
      cancel_.emit(asio::cancellation_type::terminal);
    else
      end();
  }

  void end() {
    deadline_.cancel();
    auto* source = device_ ? std::get_if<std::unique_ptr<HeatSource>>(&*device_) : nullptr;
    if (source == nullptr || !asked_) return leave();  // its port was never opened
    deadline_.expires_after(off_limit);
    deadline_.async_wait([this](const asio::error_code& error) {
      if (!error) cancel_.emit(asio::cancellation_type::terminal);
    });
    asio::co_spawn(io_, leave_off(**source),
                   asio::bind_cancellation_slot(cancel_.slot(), [this](const std::exception_ptr& failure, bool off) {
                     if (failure || !off) {
                       complain("the output could not be proved off: look at the heat source now");
                       exit_code_ = exit_not_off;
                     }
                     leave();
                   }));
  }

  // Looks first, unless it was told to heat: a source that is off is left alone.
  asio::awaitable<bool> leave_off(HeatSource& source) {
    bool off_first = told_to_heat_;
    for (;;) {
      if (off_first) {
        const Result<void> told = co_await source.set_output(false);
        if (!told) complain(told.error().text());
      }
      const Result<bool> output = co_await source.read_output();
      if (output && !*output) co_return true;
      if (!output) complain(output.error().text());
      off_first = true;
      pause_.expires_after(off_pause);
      co_await pause_.async_wait(instrument::use_tuple);
    }
  }

  void leave() {
    deadline_.cancel();
    signals_.cancel();
    if (device_) std::visit([](auto& device) { device->close(); }, *device_);
    io_.stop();
  }

  asio::io_context& io_;
  About about_;
  Role role_;
  Make make_;
  int output_;
  asio::posix::stream_descriptor input_;
  asio::steady_timer deadline_, pause_;
  asio::signal_set signals_;
  asio::cancellation_signal cancel_;
  std::optional<Device> device_;  // once greeted
  std::array<char, 4096> heard_{};
  LineCutter lines_;
  std::optional<Request> next_;
  std::optional<Result<Value>> outcome_;
  bool busy_ = false, asked_ = false, timed_out_ = false, ending_ = false;
  bool told_to_heat_ = false;  // and not read as off since
  std::uint64_t asked_again_ = 0;
  int exit_code_ = exit_done;
};

int serve(const About& about, Role role, Make make) {
  std::signal(SIGPIPE, SIG_IGN);
  const int output = take_standard_output();
  if (output < 0) return exit_protocol;
  asio::io_context io(1);
  Server server(io, about, role, std::move(make), output);
  server.start();
  io.run();
  return server.exit_code();
}

instrument::ConnectionSettings settings_from(const About& about, const Given& given) {
  instrument::ConnectionSettings settings;
  settings.name = given.instrument;
  settings.driver = about.name;
  settings.port = given.port;
  settings.reply = given.reply;
  settings.identity = given.identity;
  return settings;
}

// A codec on the line engine.
template <class Face, class Line, class CodecType>
Make on_the_line(const About& about, const Maker<CodecType>& make) {
  return [about, make](asio::io_context& io, const Given& given) -> Result<Device> {
    auto codec = make(given);
    if (!codec) return codec.error();
    return Device(std::unique_ptr<Face>(std::make_unique<Line>(io, settings_from(about, given), std::move(*codec))));
  };
}

template <class Face>
Make as_it_is(const InstrumentMaker<Face>& make) {
  return [make](asio::io_context& io, const Given& given) -> Result<Device> {
    auto made = make(io, given);
    if (!made) return made.error();
    return Device(std::move(*made));
  };
}

}  // namespace

int run_scanner(const About& about, const Maker<instrument::ScannerCodec>& make) {
  return serve(about, Role::scanner, on_the_line<Scanner, instrument::LineScanner>(about, make));
}
int run_heat_source(const About& about, const Maker<instrument::HeatSourceCodec>& make) {
  return serve(about, Role::heat_source, on_the_line<HeatSource, instrument::LineHeatSource>(about, make));
}
int run_scanner(const About& about, const InstrumentMaker<instrument::Scanner>& make) {
  return serve(about, Role::scanner, as_it_is(make));
}
int run_heat_source(const About& about, const InstrumentMaker<instrument::HeatSource>& make) {
  return serve(about, Role::heat_source, as_it_is(make));
}

}  // namespace nightwell::driver
