#include "daemon/hook_queue.hpp"

#include <csignal>
#include <utility>

namespace nightwell::daemon {

std::string_view name(HookOutcome outcome) {
  switch (outcome) {
    case HookOutcome::done: return "done";
    case HookOutcome::exit: return "exit";
    case HookOutcome::signal: return "signal";
    case HookOutcome::time_limit: return "time_limit";
    case HookOutcome::not_started: return "not_started";
    case HookOutcome::overflow: return "overflow";
  }
  return "unknown";
}

HookEffects HookQueue::call(SharedCall call, Moment now) {
  HookEffects effects;
  if (given_up_) return effects;
  if (stage_ == Stage::idle) {
    begin(std::move(call), now, effects);
  } else if (waiting_.size() < most_waiting_calls) {
    waiting_.push_back(std::move(call));
  } else if (++dropped_ == 1) {
    const std::string why = std::to_string(most_waiting_calls) + " calls of this hook wait already";
    effects.report = HookReport{HookOutcome::overflow, std::move(call), {}, {}, why};
  }
  return effects;
}

void HookQueue::begin(SharedCall call, Moment now, HookEffects& effects) {
  stage_ = Stage::starting;
  current_ = std::move(call);
  since_ = now;
  late_ = reported_ = false;
  effects.start = current_;
}

void HookQueue::next(Moment now, HookEffects& effects) {
  stage_ = Stage::idle;
  current_.reset();
  if (waiting_.empty()) return;
  SharedCall call = std::move(waiting_.front());
  waiting_.pop_front();
  effects.dropped = std::exchange(dropped_, 0);
  begin(std::move(call), now, effects);
}

void HookQueue::report(HookOutcome outcome, ProcessEnd end, std::string text, Moment now, HookEffects& effects) {
  if (std::exchange(reported_, true)) return;
  effects.report =
      HookReport{outcome, current_, end, std::chrono::duration_cast<Duration>(now - since_), std::move(text)};
}

HookEffects HookQueue::started(Moment now) {
  HookEffects effects;
  if (stage_ != Stage::starting) return effects;
  stage_ = Stage::running;
  if (reported_) {
    stage_ = Stage::killed;
    effects.signal = SIGKILL;
  } else if (given_up_) {
    end_it(now, effects);
  }
  return effects;
}

HookEffects HookQueue::not_started(std::string why, Moment now) {
  HookEffects effects;
  if (stage_ != Stage::starting) return effects;
  report(HookOutcome::not_started, {}, std::move(why), now, effects);
  next(now, effects);
  return effects;
}

HookEffects HookQueue::ended(ProcessEnd end, std::string said, Moment now) {
  HookEffects effects;
  if (stage_ == Stage::idle || stage_ == Stage::starting) return effects;
  const HookOutcome by_itself = end.signal      ? HookOutcome::signal
                                : end.exit == 0 ? HookOutcome::done
                                                : HookOutcome::exit;
  report(late_ ? HookOutcome::time_limit : by_itself, end, std::move(said), now, effects);
  next(now, effects);
  return effects;
}

HookEffects HookQueue::look(Moment now) {
  HookEffects effects;
  if (stage_ == Stage::ending && now >= grace_until_) {
    stage_ = Stage::killed;
    effects.signal = SIGKILL;
  }
  if (late_ || now < since_ + within_) return effects;
  if (stage_ == Stage::starting) {
    late_ = true;
    report(HookOutcome::time_limit, {}, "it could not be started within its time", now, effects);
  } else if (stage_ == Stage::running) {
    late_ = true;
    end_it(now, effects);
  }
  return effects;
}

void HookQueue::end_it(Moment now, HookEffects& effects) {
  stage_ = Stage::ending;
  grace_until_ = now + hook_grace;
  effects.signal = SIGTERM;
}

HookEffects HookQueue::give_up(Moment now) {
  HookEffects effects;
  given_up_ = true;
  effects.dropped = std::exchange(dropped_, 0) + waiting_.size();
  waiting_.clear();
  if (stage_ == Stage::running) end_it(now, effects);
  return effects;
}

std::optional<HookQueue::Moment> HookQueue::wake_at() const {
  if (stage_ == Stage::ending) return grace_until_;
  if (late_ || (stage_ != Stage::starting && stage_ != Stage::running)) return std::nullopt;
  return since_ + within_;
}

}  // namespace nightwell::daemon
