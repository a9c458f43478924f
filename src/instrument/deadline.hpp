// Deadlines for waits on a line, written once. A wait is bounded by holding a Deadline::Guard while it lasts;
// if the time comes first, the cancel action runs once and expired() says so.
//
// Why not a timer raced against the wait: that starts two more coroutines for every read, and the first to
// succeed wins, so that an unplugged port looks like a timeout. Here one timer stays armed across many short
// waits and looks again when it fires, so a quick instrument costs no timer call for each reading.
//
// Times are real (steady clock). One thread. The cancel action must not destroy the Deadline.
#pragma once

#include <asio/io_context.hpp>
#include <chrono>
#include <functional>
#include <memory>

namespace nightwell::instrument {

using SteadyTime = std::chrono::steady_clock::time_point;

class Deadline {
 public:
  Deadline(asio::io_context& io, std::function<void()> cancel);
  Deadline(const Deadline&) = delete;
  Deadline& operator=(const Deadline&) = delete;
  ~Deadline();

  class Guard {
   public:
    Guard(Deadline& deadline, SteadyTime at) : deadline_(deadline) { deadline_.arm(at); }
    Guard(const Guard&) = delete;
    Guard& operator=(const Guard&) = delete;
    ~Guard() { deadline_.disarm(); }

   private:
    Deadline& deadline_;
  };

  // Whether the cancel action ran since the newest Guard was made.
  [[nodiscard]] bool expired() const;
  // Lets go of the timer, so that nothing keeps the io_context running.
  void stop();

 private:
  struct State;
  void arm(SteadyTime at);
  void disarm();
  static void wait(const std::shared_ptr<State>& state, SteadyTime at);

  std::shared_ptr<State> state_;  // shared with the timer's handler, which may run after we are gone
};

}  // namespace nightwell::instrument
