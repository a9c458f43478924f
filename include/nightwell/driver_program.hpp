// A driver that is a program of its own (docs/driver-programs.md), as a plan froze it.
#pragma once

#include <string>
#include <vector>

namespace nightwell {

struct DriverProgram {
  std::string file;                    // as the bench names it; empty: the driver is no program
  std::string path;                    // absolute
  std::vector<std::string> arguments;  // behind the program's own name; no shell reads them
  std::string sha256;                  // of the file, lower-case hex

  friend bool operator==(const DriverProgram&, const DriverProgram&) = default;
};

}  // namespace nightwell
