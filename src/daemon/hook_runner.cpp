#include "daemon/hook_runner.hpp"

#include <spdlog/spdlog.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/post.hpp>
#include <asio/steady_timer.hpp>
#include <cerrno>
#include <csignal>
#include <optional>
#include <utility>

#include "daemon/hook_starter.hpp"

namespace nightwell::daemon {

namespace {

using Descriptor = asio::posix::stream_descriptor;

constexpr std::size_t output_kept = 4096, output_at_once = 64 * 1024;
constexpr std::chrono::milliseconds flood_pause{1};

bool wants(const Hook& hook, HookEvent event, const std::string& bench) {
  const auto has = [](const auto& list, const auto& what) {
    return std::find(list.begin(), list.end(), what) != list.end();
  };
  return has(hook.on, event) && (hook.benches.empty() || has(hook.benches, bench));
}

}  // namespace

struct HookRunner::Core : std::enable_shared_from_this<HookRunner::Core> {
  // A hook, and the process that runs for it.
  struct Slot {
    Slot(asio::io_context& io, Hook h)
        : hook(std::move(h)), queue(hook.within), alarm(io), pause(io), process(io), output(io) {}

    Hook hook;
    HookQueue queue;
    asio::steady_timer alarm, pause;
    Descriptor process, output;
    pid_t pid = -1;
    std::string said;
  };

  Core(asio::io_context& its_io, std::vector<Hook> hooks, Ended told)
      : io(its_io), ended(std::move(told)), scratch(output_at_once) {
    for (auto& hook : hooks) slots.push_back(std::make_unique<Slot>(io, std::move(hook)));
  }

  asio::io_context& io;
  Ended ended;  // empty once the owner is gone
  std::vector<std::unique_ptr<Slot>> slots;
  std::vector<char> scratch;
  std::optional<HookStarter> starter{std::in_place};  // nothing once the owner is gone

  static HookQueue::Moment now() { return std::chrono::steady_clock::now(); }

  void carry_out(Slot& slot, HookEffects effects) {
    if (effects.signal != 0 && slot.pid > 0) ::kill(-slot.pid, effects.signal);
    if (effects.report) tell_later(slot, std::move(*effects.report));
    if (effects.dropped > 0) spdlog::warn("hook {}: {} calls were dropped", slot.hook.name, effects.dropped);
    if (effects.start) start(slot, effects.start);
    set_alarm(slot);
  }

  // Not from inside tell(), whose caller may be in the middle of a step.
  void tell_later(const Slot& slot, HookReport report) {
    asio::post(io, [self = shared_from_this(), name = slot.hook.name, report = std::move(report)] {
      if (self->ended) self->ended(name, report);
    });
  }

  void set_alarm(Slot& slot) {
    const auto at = slot.queue.wake_at();
    if (!at) {
      slot.alarm.cancel();
      return;
    }
    slot.alarm.expires_at(*at);
    slot.alarm.async_wait([self = shared_from_this(), &slot](const asio::error_code& error) {
      if (!error) self->carry_out(slot, slot.queue.look(now()));
    });
  }

  // ---- a process from its start to its end ----

  void start(Slot& slot, const SharedCall& call) {
    if (!starter) return;
    starter->start(slot.hook.name, slot.hook.run, call,
                   [weak = weak_from_this(), &slot, &where = io](Result<std::shared_ptr<HookProcess>> started) {
                     asio::post(where, [weak, &slot, started = std::move(started)] {
                       const auto self = weak.lock();
                       if (self && self->ended) return self->on_started(slot, started);
                       if (started) ::kill(-(*started)->pid, SIGKILL);  // nobody is there for it any more
                     });
                   });
  }

  void on_started(Slot& slot, const Result<std::shared_ptr<HookProcess>>& started) {
    if (!started) return carry_out(slot, slot.queue.not_started(started.error().text(), now()));
    slot.pid = (*started)->pid;
    slot.said.clear();
    slot.process.assign((*started)->process.release());
    slot.output.assign((*started)->output.release());
    carry_out(slot, slot.queue.started(now()));
    listen(slot);
    watch(slot);
  }

  void listen(Slot& slot) {
    slot.output.async_wait(Descriptor::wait_read, [self = shared_from_this(), &slot](const asio::error_code& error) {
      if (error || !self->hear(slot)) return;
      if (slot.said.size() < output_kept) return self->listen(slot);
      slot.pause.expires_after(flood_pause);
      slot.pause.async_wait([self, &slot](const asio::error_code& stopped) {
        if (!stopped) self->listen(slot);
      });
    });
  }

  // Reads once; false: there is nothing more to come.
  bool hear(Slot& slot) {
    const ssize_t got = ::read(slot.output.native_handle(), scratch.data(), scratch.size());
    if (got > 0)
      slot.said.append(scratch.data(), std::min(static_cast<std::size_t>(got), output_kept - slot.said.size()));
    return got > 0 || (got < 0 && (errno == EAGAIN || errno == EINTR));
  }

  void watch(Slot& slot) {
    slot.process.async_wait(Descriptor::wait_read, [self = shared_from_this(), &slot](const asio::error_code& error) {
      if (!error) self->on_ended(slot);
    });
  }

  void on_ended(Slot& slot) {
    siginfo_t facts{};
    // It stays a zombie until its group is gone: its number, which is the group's, is not given to another one.
    if (::waitid(P_PID, static_cast<id_t>(slot.pid), &facts, WEXITED | WNOHANG | WNOWAIT) != 0 ||
        facts.si_pid != slot.pid)
      return watch(slot);
    ::kill(-slot.pid, SIGKILL);
    while (slot.said.size() < output_kept) {
      const std::size_t before = slot.said.size();
      if (!hear(slot) || slot.said.size() == before) break;
    }
    ::waitid(P_PID, static_cast<id_t>(slot.pid), &facts, WEXITED | WNOHANG);
    close(slot);
    ProcessEnd end;
    (facts.si_code == CLD_EXITED ? end.exit : end.signal) = facts.si_status;
    carry_out(slot, slot.queue.ended(end, std::move(slot.said), now()));
  }

  static void close(Slot& slot) {
    asio::error_code ignored;
    slot.pause.cancel();
    slot.process.close(ignored);
    slot.output.close(ignored);
    slot.pid = -1;
  }

  void abandon() {
    ended = nullptr;
    starter.reset();  // its thread uses the loop, which may go next
    for (auto& slot : slots) {
      slot->alarm.cancel();
      if (slot->pid <= 0) continue;
      ::kill(-slot->pid, SIGKILL);
      ::waitid(P_PID, static_cast<id_t>(slot->pid), nullptr, WEXITED | WNOHANG);
      close(*slot);
    }
  }
};

HookRunner::HookRunner(asio::io_context& io, std::vector<Hook> hooks, Ended ended)
    : core_(std::make_shared<Core>(io, std::move(hooks), std::move(ended))) {}

HookRunner::~HookRunner() {
  core_->abandon();
}

void HookRunner::tell(HookCall call) {
  const auto shared = std::make_shared<const HookCall>(std::move(call));
  for (auto& slot : core_->slots)
    if (wants(slot->hook, shared->event, shared->bench)) core_->carry_out(*slot, slot->queue.call(shared, Core::now()));
}

bool HookRunner::wanted(HookEvent event, const std::string& bench) const {
  return std::any_of(core_->slots.begin(), core_->slots.end(),
                     [&](const auto& slot) { return wants(slot->hook, event, bench); });
}

bool HookRunner::idle() const {
  return std::all_of(core_->slots.begin(), core_->slots.end(), [](const auto& slot) { return slot->queue.idle(); });
}

void HookRunner::give_up() {
  for (auto& slot : core_->slots) core_->carry_out(*slot, slot->queue.give_up(Core::now()));
}

}  // namespace nightwell::daemon
