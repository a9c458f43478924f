#include "program/spawn.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

extern "C" {
#include <sys/pidfd.h>  // glibc 2.36 forgot to say so itself
}

#include <cerrno>
#include <csignal>

namespace nightwell::program {

namespace {

class SpawnPlan {
 public:
  SpawnPlan() {
    ::posix_spawn_file_actions_init(&files_);
    ::posix_spawnattr_init(&attributes_);
  }
  ~SpawnPlan() {
    ::posix_spawnattr_destroy(&attributes_);
    ::posix_spawn_file_actions_destroy(&files_);
  }
  SpawnPlan(const SpawnPlan&) = delete;
  SpawnPlan& operator=(const SpawnPlan&) = delete;

  int set(const SpawnOrder& order) {
    sigset_t none;
    sigset_t all;
    sigemptyset(&none);
    sigfillset(&all);
    for (const int failed :
         {::posix_spawn_file_actions_adddup2(&files_, order.input, STDIN_FILENO),
          ::posix_spawn_file_actions_adddup2(&files_, order.output, STDOUT_FILENO),
          ::posix_spawn_file_actions_adddup2(&files_, order.errors, STDERR_FILENO),
          ::posix_spawn_file_actions_addclosefrom_np(&files_, STDERR_FILENO + 1),
          ::posix_spawn_file_actions_addchdir_np(&files_, "/"), ::posix_spawnattr_setpgroup(&attributes_, 0),
          ::posix_spawnattr_setsigmask(&attributes_, &none), ::posix_spawnattr_setsigdefault(&attributes_, &all),
          ::posix_spawnattr_setflags(&attributes_, static_cast<short>(POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK |
                                                                      POSIX_SPAWN_SETSIGDEF))})
      if (failed) return failed;
    return 0;
  }
  int start(const char* program, char* const* arguments, char* const* environment, pid_t& pid) {
    return ::posix_spawn(&pid, program, &files_, &attributes_, arguments, environment);
  }

 private:
  posix_spawn_file_actions_t files_{};
  posix_spawnattr_t attributes_{};
};

std::vector<char*> pointers_to(std::vector<std::string>& texts) {
  std::vector<char*> out;
  for (auto& text : texts) out.push_back(text.data());
  out.push_back(nullptr);
  return out;
}

}  // namespace

std::vector<std::string> base_environment() {
  return {"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG=C.UTF-8"};
}

journal::File for_spawning(int file) {
  return journal::File(::fcntl(file, F_DUPFD_CLOEXEC, above_standard));
}

Result<Spawned> spawn(SpawnOrder order, const std::string& doing) {
  std::vector<std::string> environment = base_environment();
  environment.insert(environment.end(), order.environment.begin(), order.environment.end());
  SpawnPlan plan;
  Spawned out;
  int failed = plan.set(order);
  if (!failed)
    failed = plan.start(order.program.c_str(), pointers_to(order.arguments).data(), pointers_to(environment).data(),
                        out.pid);
  if (failed) return Error{Errc::unexpected, doing, journal::system_text(failed), order.program};
  out.process = journal::File(::pidfd_open(out.pid, 0));
  if (out.process.fd() < 0) {
    const Error error{Errc::unexpected, doing, journal::system_text(errno), order.program};
    kill_group_and_reap(out.pid);
    return error;
  }
  return out;
}

void kill_group_and_reap(pid_t pid) {
  ::kill(-pid, SIGKILL);
  ::waitpid(pid, nullptr, 0);
}

}  // namespace nightwell::program
