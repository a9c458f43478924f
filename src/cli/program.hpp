// The command `nightwell` as a function, so that a test can ask it thousands of times in one process.
#pragma once

namespace nightwell::cli {

// What main() is given and gives back. Writes to standard output and standard error; nothing is left in buffers.
int run_program(int count, char** arguments);

}  // namespace nightwell::cli
