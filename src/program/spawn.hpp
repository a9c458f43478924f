// Starts a program with nothing of ours but what is given to it: three files, a process group of its own, / as its folder, the
// environment that is stated, no signal blocked or ignored. No shell. Blocks while the disk does: start from a thread.
#pragma once

#include <sys/types.h>

#include <string>
#include <vector>

#include "journal/file.hpp"
#include "nightwell/result.hpp"

namespace nightwell::program {

inline constexpr int above_standard = 10;  // our numbers of files that become 0, 1 and 2 there: no two may meet

struct SpawnOrder {
  std::string program;                   // absolute
  std::vector<std::string> arguments;    // its own name first
  std::vector<std::string> environment;  // NAME=VALUE; the rest of it is base_environment()
  int input = -1, output = -1, errors = -1;
};

struct Spawned {
  pid_t pid = -1;
  journal::File process;  // pidfd: readable once the process has ended
};

// PATH and LANG, the same for every program that we start.
[[nodiscard]] std::vector<std::string> base_environment();

// The same file under a number that suits SpawnOrder, close-on-exec; -1: none to be had.
[[nodiscard]] journal::File for_spawning(int file);

// Errors: unexpected (no process or descriptor to be had, or the program is no program: the system's words).
[[nodiscard]] Result<Spawned> spawn(SpawnOrder order, const std::string& doing);

void kill_group_and_reap(pid_t pid);

}  // namespace nightwell::program
