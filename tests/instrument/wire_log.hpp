// Plays a conversation written down in tests/wirelogs against a driver: the log is the instrument and, in its ":"
// and "=" lines, also the caller and what it must get. The grammar is in docs/drivers.md.
#pragma once

#include <string>
#include <vector>

#include "fake_line.hpp"

namespace nightwell::instrument::test {

// What went otherwise than written; empty: all as written.
std::vector<std::string> play_wire_log(const std::string& text, LineKind kind);
// The same in memory on virtual time: hours take no time. A recorded log has its driver's own quiet times here.
std::vector<std::string> play_wire_log_in_memory(const std::string& text);

// Plays a log by hand in memory and records the conversation while it goes on.
struct Recorded {
  std::string log;
  std::vector<std::string> problems;  // of the playing
};
Recorded record_in_memory(const std::string& text);
// Plays what record_in_memory() gave, with the short quiet times that it was made with.
std::vector<std::string> play_recorded_quickly(const std::string& text);

}  // namespace nightwell::instrument::test
