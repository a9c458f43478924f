// The command `nightwell`. The commands themselves are in commands/, listed in commands.hpp.
#include "cli/program.hpp"
#include "journal/standard_descriptors.hpp"

int main(int count, char** arguments) {
  nightwell::open_standard_descriptors();
  return nightwell::cli::run_program(count, arguments);
}
