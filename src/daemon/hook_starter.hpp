// Starts hooks' programs, in a thread of its own: looking at a program and starting it read from a disk, which may hang, and the
// caller must not hang with it.
//
// A program gets the call's line as its standard input (a file in memory), one pipe for standard output and error, no other
// descriptor, the environment below and nothing else, / as its folder, no signal blocked or ignored, a process group of its own,
// and a nice value of 10: this thread's, which it inherits. No shell.
//   PATH, LANG            /usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin, C.UTF-8
//   NIGHTWELL_HOOK        the hook's name            NIGHTWELL_EVENT    the event's word
//   NIGHTWELL_RUN         the run's id               NIGHTWELL_BENCH    the bench's name
//   NIGHTWELL_JOURNAL     path of its journal
#pragma once

#include <sys/types.h>

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "daemon/hook_queue.hpp"
#include "journal/file.hpp"
#include "nightwell/result.hpp"

namespace nightwell::daemon {

struct HookProcess {
  pid_t pid = -1;
  journal::File process;  // pidfd: readable once the process has ended
  journal::File output;   // the pipe's reading end; never blocks
};

class HookStarter {
 public:
  // Called on the starter's thread, and never once the starter is destroyed. Errors: those of trusted_hook; unexpected (no
  // process or descriptor to be had, or the program is no program: the system's words).
  using Done = std::function<void(Result<std::shared_ptr<HookProcess>>)>;

  HookStarter();
  HookStarter(const HookStarter&) = delete;
  HookStarter& operator=(const HookStarter&) = delete;
  // Does not wait: a start that hangs keeps the thread, and what comes of it is killed.
  ~HookStarter();

  void start(std::string hook, std::vector<std::string> run, SharedCall call, Done done);

 private:
  struct Shared;
  std::shared_ptr<Shared> shared_;
};

}  // namespace nightwell::daemon
