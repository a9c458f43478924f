#include "daemon/hook_starter.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

extern "C" {
#include <sys/pidfd.h>  // glibc 2.36 forgot to say so itself
}

#include <cerrno>
#include <condition_variable>
#include <csignal>
#include <deque>
#include <filesystem>
#include <mutex>
#include <thread>

#include "daemon/hooks_file.hpp"

namespace nightwell::daemon {

namespace {

using journal::File;

constexpr int nice_of_hooks = 10;
constexpr int above_standard = 10;  // our numbers of what becomes 0, 1 and 2 there

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
  return {"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
          "LANG=C.UTF-8",
          "NIGHTWELL_HOOK=" + order.hook,
          "NIGHTWELL_EVENT=" + std::string(name(call.event)),
          "NIGHTWELL_RUN=" + call.run,
          "NIGHTWELL_BENCH=" + call.bench,
          "NIGHTWELL_JOURNAL=" + call.journal};
}

std::vector<char*> pointers_to(std::vector<std::string>& texts) {
  std::vector<char*> out;
  for (auto& text : texts) out.push_back(text.data());
  out.push_back(nullptr);
  return out;
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
  File moved(::fcntl(made.fd(), F_DUPFD_CLOEXEC, above_standard));
  if (moved.fd() < 0) return start_failed(errno, "");
  return moved;
}

class HookSpawn {
 public:
  HookSpawn() {
    ::posix_spawn_file_actions_init(&files_);
    ::posix_spawnattr_init(&attributes_);
  }
  ~HookSpawn() {
    ::posix_spawnattr_destroy(&attributes_);
    ::posix_spawn_file_actions_destroy(&files_);
  }
  HookSpawn(const HookSpawn&) = delete;
  HookSpawn& operator=(const HookSpawn&) = delete;

  int set(int input, int output) {
    sigset_t none;
    sigset_t all;
    sigemptyset(&none);
    sigfillset(&all);
    for (const int failed :
         {::posix_spawn_file_actions_adddup2(&files_, input, STDIN_FILENO),
          ::posix_spawn_file_actions_adddup2(&files_, output, STDOUT_FILENO),
          ::posix_spawn_file_actions_adddup2(&files_, output, STDERR_FILENO),
          ::posix_spawn_file_actions_addclosefrom_np(&files_, STDERR_FILENO + 1),
          ::posix_spawn_file_actions_addchdir_np(&files_, "/"), ::posix_spawnattr_setpgroup(&attributes_, 0),
          ::posix_spawnattr_setsigmask(&attributes_, &none), ::posix_spawnattr_setsigdefault(&attributes_, &all),
          ::posix_spawnattr_setflags(&attributes_, static_cast<short>(POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK |
                                                                      POSIX_SPAWN_SETSIGDEF))})
      if (failed) return failed;
    return 0;
  }
  int spawn(const std::string& program, std::vector<std::string> run, std::vector<std::string> environment,
            pid_t& pid) {
    return ::posix_spawn(&pid, program.c_str(), &files_, &attributes_, pointers_to(run).data(),
                         pointers_to(environment).data());
  }

 private:
  posix_spawn_file_actions_t files_{};
  posix_spawnattr_t attributes_{};
};

void kill_and_reap(pid_t pid) {
  ::kill(-pid, SIGKILL);
  ::waitpid(pid, nullptr, 0);
}

Result<std::shared_ptr<HookProcess>> start_now(const StartOrder& order) {
  const auto program = trusted_program(order.run[0]);
  if (!program) return program.error();
  const auto input = as_file(order.call->line);
  if (!input) return input.error();
  int ends[2] = {-1, -1};
  if (::pipe2(ends, O_CLOEXEC) != 0) return start_failed(errno, "");
  const auto process = std::make_shared<HookProcess>();
  process->output = File(ends[0]);
  const File writing(ends[1]);
  const File theirs(::fcntl(writing.fd(), F_DUPFD_CLOEXEC, above_standard));
  if (theirs.fd() < 0 || ::fcntl(process->output.fd(), F_SETFL, O_NONBLOCK) != 0) return start_failed(errno, "");

  HookSpawn spawn;
  int failed = spawn.set(input->fd(), theirs.fd());
  if (!failed) failed = spawn.spawn(program->string(), order.run, environment_of(order), process->pid);
  if (failed) return start_failed(failed, program->string());
  process->process = File(::pidfd_open(process->pid, 0));
  if (process->process.fd() < 0) {
    const Error error = start_failed(errno, program->string());
    kill_and_reap(process->pid);
    return error;
  }
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
        kill_and_reap((*started)->pid);
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
