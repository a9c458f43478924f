// The guardian's shell: feeds the pure core (guard.hpp) with what happens and carries out what it decides. It
// decides nothing itself.
//
// One thread, one io_context. One conversation with the source at a time; a newer command waits for the call
// in flight and replaces one that has not begun. A read-back is three calls and is left between two of them
// when a command waits. An "off" waits for `patience` only: then the call in flight is cancelled (H24: the
// first byte of "off" goes out within 1 s). A call that does not end by its own deadline (a driver's bug) is
// ended by closing the port. An exception anywhere becomes a Broken event, which parks.
#pragma once

#include <array>
#include <asio/awaitable.hpp>
#include <asio/cancellation_signal.hpp>
#include <asio/io_context.hpp>
#include <asio/local/stream_protocol.hpp>
#include <asio/signal_set.hpp>
#include <asio/steady_timer.hpp>
#include <chrono>
#include <deque>
#include <exception>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "guardian/guard.hpp"
#include "guardian/log.hpp"
#include "guardian/protocol.hpp"
#include "instrument/clock.hpp"
#include "instrument/heat_source.hpp"

namespace nightwell::guardian {

// Times are real time.
struct ShellSettings {
  Limits limits;
  std::chrono::steady_clock::duration longest_call{};  // longer than any call takes by its own deadline
  std::chrono::steady_clock::duration patience = std::chrono::milliseconds(500);
  bool signals = true;  // listen to SIGTERM, SIGINT, SIGHUP, SIGQUIT
};

class Shell {
 public:
  // Everything passed by reference, and the Shell itself, must outlive the last run() of `io`. on_exit is
  // called once, from `io`, after the port is closed and what was said is written (or 1 s of real time has
  // passed).
  Shell(asio::io_context& io, instrument::Clock& clock, instrument::HeatSource& source, Log& log,
        asio::local::stream_protocol::socket daemon, ShellSettings settings, std::function<void(int)> on_exit);
  Shell(const Shell&) = delete;
  Shell& operator=(const Shell&) = delete;

  void start();
  // An exception came out of io.run(): parks. Run io again after it.
  void broken(const std::string& text);

 private:
  void feed(const Event& event);
  void take(const Event& event);
  void perform(const Action& action);
  void set_tick();
  void notice_sleep();

  void enqueue(const Action& command);
  void hurry();
  void call_next();
  void call_ended(const std::exception_ptr& failure, const Event& result);
  asio::awaitable<Event> carry_out(Action command);
  asio::awaitable<Event> carry_out_identify(Identify command);
  asio::awaitable<Event> carry_out_target(SetTarget command);
  asio::awaitable<Event> carry_out_output(SetOutput command);
  asio::awaitable<Event> carry_out_read_back(ReadBackNow command);
  void begin_call();

  void listen();
  void hear(const LineBuffer::Line& line);
  void daemon_gone();
  void wait_for_signal();
  void send(const Said& said);
  void write_next();
  void leave(int code);
  void finish_leaving();

  void log(const std::string& text);

  asio::io_context& io_;
  instrument::Clock& clock_;
  instrument::HeatSource& source_;
  Log& log_;
  asio::local::stream_protocol::socket daemon_;
  ShellSettings settings_;
  std::function<void(int)> on_exit_;

  State state_;
  asio::steady_timer tick_;
  asio::steady_timer call_limit_;
  asio::steady_timer patience_;
  asio::cancellation_signal cancel_call_;
  bool calling_ = false;
  asio::steady_timer goodbye_;
  asio::signal_set signals_;
  std::optional<Action> next_command_;
  std::chrono::nanoseconds slept_before_{};  // boot time less monotonic time: grows while the host sleeps

  std::array<char, 4096> heard_{};
  LineBuffer lines_;
  std::deque<std::string> outbox_;
  bool writing_ = false;
  std::optional<int> leaving_;
  bool left_ = false;
};

}  // namespace nightwell::guardian
