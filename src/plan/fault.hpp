// What is wrong with an input file, where, and what would be right.
#pragma once

#include <string>
#include <vector>

namespace nightwell::plan {

struct Fault {
  std::string file;     // as the user named it; a card as the job's folder and the job name it
  std::string pointer;  // RFC 6901 place in the file: "/plateaus/2/setpoint_c"; empty: the file as a whole
  std::string found;    // what stands there, shortened; may be empty
  std::string allowed;  // what may stand there, and why; may be empty
  std::string message;  // instead of found/allowed, or in addition to them; may be empty
};

// One line: "FILE: /plateaus/2/setpoint_c: found 600, allowed -40 to 120 (bath's limits)". Control characters that a
// file brought along are written as \xHH.
[[nodiscard]] std::string text(const Fault& fault);

using Faults = std::vector<Fault>;

}  // namespace nightwell::plan
