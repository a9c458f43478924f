#include "daemon/hook_starter.hpp"

#include <fcntl.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <unistd.h>

#include <cerrno>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <thread>

#include "daemon/hooks_file.hpp"
#include "program/spawn.hpp"

namespace nightwell::daemon {

namespace {

using journal::File;

constexpr int nice_of_hooks = 10;

struct StartOrder {
  std::string hook;
  std::vector<std::string> run;
  SharedCall call;
  HookStarter::Done done;
};

Error start_failed(int number, const std::string& where) {
  return Error{Errc::unexpected, "starting a hook", journal::system_text(number), where};
}

std::vector<std::string> environment_of(const StartOrder& order) {
  const HookCall& call = *order.call;
  return {"NIGHTWELL_HOOK=" + order.hook, "NIGHTWELL_EVENT=" + std::string(name(call.event)),
          "NIGHTWELL_RUN=" + call.run, "NIGHTWELL_BENCH=" + call.bench, "NIGHTWELL_JOURNAL=" + call.journal};
}

// The line in memory, to be read from its begin. A pipe would hold less than the longest line.
Result<File> as_file(const std::string& line) {
  const File made(::memfd_create("nightwell-record", MFD_CLOEXEC));
  if (made.fd() < 0) return start_failed(errno, "");
  for (std::size_t at = 0; at < line.size();) {
    const ssize_t put = ::pwrite(made.fd(), line.data() + at, line.size() - at, static_cast<off_t>(at));
    if (put <= 0) return start_failed(errno, "");
    at += static_cast<std::size_t>(put);
  }
  File moved = program::for_spawning(made.fd());
  if (moved.fd() < 0) return start_failed(errno, "");
  return moved;
}

Result<std::shared_ptr<HookProcess>> start_now(const StartOrder& order) {
  const auto trusted = trusted_hook(order.run[0]);
  if (!trusted) return trusted.error();
  const auto input = as_file(order.call->line);
  if (!input) return input.error();
  int ends[2] = {-1, -1};
  if (::pipe2(ends, O_CLOEXEC) != 0) return start_failed(errno, "");
  const auto process = std::make_shared<HookProcess>();
  process->output = File(ends[0]);
  const File writing(ends[1]);
  const File theirs = program::for_spawning(writing.fd());
  if (theirs.fd() < 0 || ::fcntl(process->output.fd(), F_SETFL, O_NONBLOCK) != 0) return start_failed(errno, "");

  program::SpawnOrder spawning{trusted->string(), order.run,   environment_of(order),
                               input->fd(),       theirs.fd(), theirs.fd()};
  auto spawned = program::spawn(std::move(spawning), "starting a hook");
  if (!spawned) return spawned.error();
  process->pid = spawned->pid;
  process->process = std::move(spawned->process);
  return process;
}

}  // namespace

struct HookStarter::Shared {
  std::mutex mutex;
  std::condition_variable changed;
  std::deque<StartOrder> orders;  // guarded, as is the next
  bool abandoned = false;

  void work() {
    ::setpriority(PRIO_PROCESS, 0, nice_of_hooks);  // 0: this thread alone, on Linux
    std::unique_lock lock(mutex);
    while (true) {
      changed.wait(lock, [&] { return abandoned || !orders.empty(); });
      if (abandoned) return;
      const StartOrder order = std::move(orders.front());
      orders.pop_front();
      lock.unlock();
      auto started = start_now(order);
      lock.lock();
      // Held while it is told: an owner that goes away waits for that, and is told nothing afterwards.
      if (!abandoned)
        order.done(std::move(started));
      else if (started)
        program::kill_group_and_reap((*started)->pid);
    }
  }
};

HookStarter::HookStarter() : shared_(std::make_shared<Shared>()) {
  // Detached: it holds what it needs by itself.
  std::thread([shared = shared_] { shared->work(); }).detach();
}

HookStarter::~HookStarter() {
  const std::lock_guard lock(shared_->mutex);
  shared_->abandoned = true;
  shared_->changed.notify_one();
}

void HookStarter::start(std::string hook, std::vector<std::string> run, SharedCall call, Done done) {
  const std::lock_guard lock(shared_->mutex);
  shared_->orders.push_back({std::move(hook), std::move(run), std::move(call), std::move(done)});
  shared_->changed.notify_one();
}

}  // namespace nightwell::daemon
