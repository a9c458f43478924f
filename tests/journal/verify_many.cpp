// `nightwell verify` for each line of standard input ("FOLDER OPTIONS…"), in one process: starting a program thousands of times is
// what takes long. After what the command says, on standard output and standard error alike, a line "= CODE", its exit code.

#include <unistd.h>

#include <cstdio>
#include <iostream>
#include <sstream>
#include <string>
#include <vector>

#include "cli/program.hpp"

int main() {
  if (::dup2(STDOUT_FILENO, STDERR_FILENO) < 0) return 1;
  for (std::string line; std::getline(std::cin, line);) {
    std::istringstream in(line);
    std::vector<std::string> words{"nightwell", "verify"};
    for (std::string word; in >> word;) words.push_back(word);
    if (words.size() < 3) return 1;
    words[2] += "/journal.ndjson";
    std::vector<char*> arguments;
    for (std::string& word : words) arguments.push_back(word.data());
    const int code = nightwell::cli::run_program(static_cast<int>(arguments.size()), arguments.data());
    std::printf("= %d\n", code);
    if (std::fflush(stdout) != 0) return 1;
  }
  return 0;
}
