// The command `nightwell`. The commands themselves are in commands/, listed in commands.hpp.
#include "cli/program.hpp"

int main(int count, char** arguments) {
  return nightwell::cli::run_program(count, arguments);
}
