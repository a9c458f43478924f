#include "instrument/deadline.hpp"

#include <asio/steady_timer.hpp>
#include <utility>

namespace nightwell::instrument {

struct Deadline::State {
  State(asio::io_context& io, std::function<void()> action) : timer(io), cancel(std::move(action)) {}

  asio::steady_timer timer;
  std::function<void()> cancel;
  SteadyTime deadline = SteadyTime::max();   // of the wait that is going on
  SteadyTime armed_for = SteadyTime::max();  // when the timer will look
  bool expired = false;
};

Deadline::Deadline(asio::io_context& io, std::function<void()> cancel)
    : state_(std::make_shared<State>(io, std::move(cancel))) {}

Deadline::~Deadline() {
  stop();
}

bool Deadline::expired() const {
  return state_->expired;
}

void Deadline::stop() {
  state_->deadline = SteadyTime::max();
  state_->armed_for = SteadyTime::max();
  state_->timer.cancel();
}

void Deadline::arm(SteadyTime at) {
  state_->expired = false;
  state_->deadline = at;
  if (at < state_->armed_for) wait(state_, at);
}

void Deadline::disarm() {
  state_->deadline = SteadyTime::max();
}

void Deadline::wait(const std::shared_ptr<State>& state, SteadyTime at) {
  state->armed_for = at;
  state->timer.expires_at(at);  // ends an earlier wait, whose handler then finds an error code and does nothing
  state->timer.async_wait([weak = std::weak_ptr<State>(state)](const std::error_code& problem) {
    const auto held = weak.lock();
    if (problem || !held) return;
    held->armed_for = SteadyTime::max();
    if (held->deadline == SteadyTime::max()) return;
    if (std::chrono::steady_clock::now() < held->deadline) return wait(held, held->deadline);
    held->deadline = SteadyTime::max();
    held->expired = true;
    held->cancel();
  });
}

}  // namespace nightwell::instrument
