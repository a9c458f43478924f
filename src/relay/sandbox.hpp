// Gives away, for good, everything that the relay has no use for. Called once, when it listens and has read its keys and before it
// accepts anybody; from then on the kernel refuses:
//   capabilities  all of them are dropped, and no program that is started can regain any (which none can be)
//   Landlock      every access to files but reading below the folder given; binding and connecting by TCP (where the kernel has
//                 that: from 6.7 on); signals and abstract sockets to others (from 6.12 on)
//   seccomp       every system call that is not on the list in sandbox.cpp: no program, process or thread is started, no socket is
//                 made or connected, nothing is opened for writing, renamed, removed or its mode changed, no memory becomes
//                 executable, no other process is looked at. A refused call fails with EPERM.
// Core dumps are off as well: the process holds a private key.
// Source: landlock(7), seccomp(2), capabilities(7).
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::relay {

// What this kernel lacks, for the log; empty: nothing.
using Lacking = std::vector<std::string>;

// Errors: bad_input (the folder cannot be read), unexpected (the kernel has it and refuses all the same).
Result<Lacking> enter_sandbox(const std::filesystem::path& readable_folder);

}  // namespace nightwell::relay
