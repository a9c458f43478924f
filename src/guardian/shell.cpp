#include "guardian/shell.hpp"

#include <time.h>

#include <algorithm>
#include <asio/bind_cancellation_slot.hpp>
#include <asio/buffer.hpp>
#include <asio/co_spawn.hpp>
#include <asio/post.hpp>
#include <asio/write.hpp>
#include <csignal>
#include <utility>

#include "guardian/text.hpp"

namespace nightwell::guardian {
namespace {

constexpr std::chrono::seconds longest_goodbye{1};
constexpr std::chrono::seconds sleep_noticed{2};

std::chrono::nanoseconds read_clock(clockid_t id) {
  timespec at{};
  ::clock_gettime(id, &at);
  return std::chrono::seconds(at.tv_sec) + std::chrono::nanoseconds(at.tv_nsec);
}
std::chrono::nanoseconds slept() {
  return read_clock(CLOCK_BOOTTIME) - read_clock(CLOCK_MONOTONIC);
}

std::string text_of(const std::exception_ptr& failure) {
  try {
    std::rethrow_exception(failure);
  } catch (const std::exception& e) {
    return e.what();
  } catch (...) {
    return "an exception of an unknown type";
  }
}

Error driver_threw(const char* doing, const char* what) {
  return Error{Errc::unexpected, doing, what, ""};
}

std::string signal_name(int number) {
  switch (number) {
    case SIGTERM: return "SIGTERM";
    case SIGINT: return "SIGINT";
    case SIGHUP: return "SIGHUP";
    case SIGQUIT: return "SIGQUIT";
    default: return "signal " + std::to_string(number);
  }
}

// What is worth a line in the log; a Status comes too often.
std::optional<std::string> log_text(const Said& said) {
  if (std::holds_alternative<Status>(said) || std::holds_alternative<Accepted>(said)) return std::nullopt;
  std::string line = to_line(said);
  line.pop_back();
  return "said " + line;
}

}  // namespace

Shell::Shell(asio::io_context& io, instrument::Clock& clock, instrument::HeatSource& source, Log& log,
             asio::local::stream_protocol::socket daemon, ShellSettings settings, std::function<void(int)> on_exit)
    : io_(io),
      clock_(clock),
      source_(source),
      log_(log),
      daemon_(std::move(daemon)),
      settings_(std::move(settings)),
      on_exit_(std::move(on_exit)),
      tick_(io),
      call_limit_(io),
      patience_(io),
      goodbye_(io),
      signals_(io),
      slept_before_(slept()) {}

void Shell::start() {
  if (settings_.signals) {
    for (const int number : {SIGTERM, SIGINT, SIGHUP, SIGQUIT}) signals_.add(number);
    wait_for_signal();
  }
  listen();
  log("started");
  feed(Tick{});
}

void Shell::broken(const std::string& text) {
  log("broken: " + text);
  feed(Broken{text});
}

// ---- the core ----

void Shell::feed(const Event& event) {
  if (leaving_) return;
  notice_sleep();
  take(event);
  if (!leaving_) set_tick();
}

void Shell::take(const Event& event) {
  Step made = step(settings_.limits, std::move(state_), event, clock_.now());
  state_ = std::move(made.state);
  for (const Action& action : made.actions) perform(action);
}

void Shell::perform(const Action& action) {
  std::visit(Overload{[this](const Say& say) { send(say.said); }, [this](const Exit& exit) { leave(exit.code); },
                      [this](const auto& command) { enqueue(command); }},
             action);
}

void Shell::set_tick() {
  const auto at = next_tick(settings_.limits, state_);
  if (!at) {
    tick_.cancel();
    return;
  }
  const double left_s = std::max(0.0, to_seconds(*at - clock_.now()) / clock_.speed());
  // A millisecond more than asked for, so that a tick never comes before its moment and turns for nothing.
  tick_.expires_after(std::chrono::milliseconds(1) +
                      std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::duration<double>(left_s)));
  tick_.async_wait([this](const asio::error_code& error) {
    if (!error) feed(Tick{});
  });
}

void Shell::notice_sleep() {
  const auto now = slept();
  const auto gap = now - std::exchange(slept_before_, now);
  if (gap < sleep_noticed) return;
  log("the host slept");
  take(HostSlept{std::chrono::duration_cast<Duration>(gap)});
}

// ---- the source ----

void Shell::enqueue(const Action& command) {
  next_command_ = command;
  if (!calling_) return call_next();
  const auto* output = std::get_if<SetOutput>(&command);
  if (output && !output->on) hurry();
}

void Shell::hurry() {
  patience_.expires_after(settings_.patience);
  patience_.async_wait([this](const asio::error_code& error) {
    if (error || !calling_ || !next_command_) return;
    log("cancelling a call that holds up switching off");
    cancel_call_.emit(asio::cancellation_type::terminal);
  });
}

// Started from the loop, never from within the core's step or a call's own end.
void Shell::call_next() {
  calling_ = true;
  asio::post(io_, [this] {
    // We may have been stopped since this was decided: where the lease has run out meanwhile, "off" takes its place.
    feed(Tick{});
    if (leaving_ || !next_command_) {
      calling_ = false;
      return;
    }
    Action command = *std::exchange(next_command_, std::nullopt);
    asio::co_spawn(io_, carry_out(std::move(command)),
                   asio::bind_cancellation_slot(cancel_call_.slot(), [this](std::exception_ptr failure, Event result) {
                     call_ended(failure, result);
                   }));
  });
}

void Shell::call_ended(const std::exception_ptr& failure, const Event& result) {
  calling_ = false;
  call_limit_.cancel();
  patience_.cancel();
  if (next_command_) call_next();
  if (failure)
    broken(text_of(failure));
  else
    feed(result);
}

asio::awaitable<Event> Shell::carry_out(Action command) {
  if (const auto* identify = std::get_if<Identify>(&command)) return carry_out_identify(*identify);
  if (const auto* target = std::get_if<SetTarget>(&command)) return carry_out_target(*target);
  if (const auto* output = std::get_if<SetOutput>(&command)) return carry_out_output(*output);
  return carry_out_read_back(std::get<ReadBackNow>(command));
}

asio::awaitable<Event> Shell::carry_out_identify(Identify command) {
  Event result = CommandFailed{command.ticket, driver_threw("identifying the source", "the driver threw")};
  begin_call();
  try {
    const Result<instrument::Identity> answer = co_await source_.identify();
    if (answer)
      for (const std::string& old : answer->old_errors) log("in the source's error queue before us: " + printable(old));
    if (answer.ok())
      result = Identified{command.ticket, answer->text};
    else
      result = CommandFailed{command.ticket, answer.error()};
  } catch (const std::exception& e) {
    result = CommandFailed{command.ticket, driver_threw("identifying the source", e.what())};
  }
  co_return result;
}

asio::awaitable<Event> Shell::carry_out_target(SetTarget command) {
  log("telling the source: setpoint " + number(command.target_c) + " C");
  Event result = CommandDone{command.ticket};
  begin_call();
  try {
    const Result<void> done = co_await source_.set_target(command.target_c);
    if (!done.ok()) result = CommandFailed{command.ticket, done.error()};
  } catch (const std::exception& e) {
    result = CommandFailed{command.ticket, driver_threw("setting the target", e.what())};
  }
  co_return result;
}

asio::awaitable<Event> Shell::carry_out_output(SetOutput command) {
  log(command.on ? "telling the source: output on" : "telling the source: output off");
  Event result = CommandDone{command.ticket};
  begin_call();
  try {
    const Result<void> done = co_await source_.set_output(command.on);
    if (!done.ok()) result = CommandFailed{command.ticket, done.error()};
  } catch (const std::exception& e) {
    result = CommandFailed{command.ticket, driver_threw("switching the output", e.what())};
  }
  co_return result;
}

// Output first: in a park it is what matters, and it is kept where a later call fails.
asio::awaitable<Event> Shell::carry_out_read_back(ReadBackNow command) {
  ReadFailed failed{command.ticket, Error{Errc::unexpected, "reading the source back", "left for a command", ""}, {}};
  Event result = failed;
  begin_call();
  try {
    const Result<bool> output = co_await source_.read_output();
    if (output.ok()) failed.seen.output = *output;
    if (!output.ok()) {
      failed.error = output.error();
    } else if (!next_command_) {
      begin_call();
      const Result<double> target = co_await source_.read_target();
      if (target.ok()) failed.seen.target_c = *target;
      if (!target.ok()) {
        failed.error = target.error();
      } else if (!next_command_) {
        begin_call();
        const Result<double> temperature = co_await source_.read_temperature();
        if (temperature.ok()) {
          result = ReadBack{command.ticket, *target, *temperature, *output};
          co_return result;
        }
        failed.error = temperature.error();
      }
    }
  } catch (const std::exception& e) {
    failed.error = driver_threw("reading the source back", e.what());
  }
  result = failed;
  co_return result;
}

void Shell::begin_call() {
  call_limit_.expires_after(settings_.longest_call);
  call_limit_.async_wait([this](const asio::error_code& error) {
    if (error || call_limit_.expiry() > std::chrono::steady_clock::now()) return;
    log("a call did not end by its own deadline; closing the port");
    source_.close();
  });
}

// ---- the daemon ----

void Shell::listen() {
  daemon_.async_read_some(asio::buffer(heard_), [this](const asio::error_code& error, std::size_t size) {
    if (leaving_) return;
    if (error) return daemon_gone();
    lines_.add(std::string_view(heard_.data(), size));
    while (auto line = lines_.next()) hear(*line);
    if (!leaving_) listen();
  });
}

void Shell::hear(const LineBuffer::Line& line) {
  if (line.overlong) {
    log("heard a line that is too long");
    return feed(MalformedRequest{"a line is longer than 64 KiB"});
  }
  const Result<Request> request = parse_request(line.text);
  if (!request.ok()) {
    log("heard what is no request: " + line.text.substr(0, 200));
    return feed(MalformedRequest{request.error().text()});
  }
  if (const auto* lease = std::get_if<LeaseRequested>(&*request)) return feed(*lease);
  if (const auto* park = std::get_if<ParkRequested>(&*request)) {
    log("asked to park: " + park->cause);
    return feed(*park);
  }
  feed(MalformedRequest{"settings came twice"});
}

void Shell::daemon_gone() {
  log("the daemon's end closed");
  feed(DaemonGone{});
}

void Shell::wait_for_signal() {
  signals_.async_wait([this](const asio::error_code& error, int number) {
    if (error) return;
    log("heard " + signal_name(number));
    wait_for_signal();
    feed(StopRequested{signal_name(number)});
  });
}

void Shell::send(const Said& said) {
  if (const auto text = log_text(said)) log(*text);
  // A daemon that reads nothing must not make us grow: the oldest line not being written goes.
  if (outbox_.size() >= most_unsent_lines) outbox_.erase(outbox_.begin() + (writing_ ? 1 : 0));
  outbox_.push_back(to_line(said));
  if (!writing_) write_next();
}

void Shell::write_next() {
  if (outbox_.empty()) {
    writing_ = false;
    if (leaving_) finish_leaving();
    return;
  }
  writing_ = true;
  asio::async_write(daemon_, asio::buffer(outbox_.front()), [this](const asio::error_code& error, std::size_t) {
    outbox_.pop_front();
    if (error) outbox_.clear();  // nobody listens; the reader finds that out by itself
    write_next();
  });
}

// ---- the end ----

void Shell::leave(int code) {
  log("leaving with code " + std::to_string(code));
  leaving_ = code;
  tick_.cancel();
  call_limit_.cancel();
  signals_.cancel();
  patience_.cancel();
  source_.close();
  goodbye_.expires_after(longest_goodbye);
  goodbye_.async_wait([this](const asio::error_code& error) {
    if (!error) finish_leaving();
  });
  if (!writing_) asio::post(io_, [this] { finish_leaving(); });
}

void Shell::finish_leaving() {
  if (std::exchange(left_, true)) return;
  goodbye_.cancel();
  asio::error_code ignored;
  daemon_.close(ignored);
  on_exit_(*leaving_);
}

void Shell::log(const std::string& text) {
  log_.write(clock_.utc(), text);
}

}  // namespace nightwell::guardian
