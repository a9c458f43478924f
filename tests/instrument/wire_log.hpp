// Plays a conversation written down in tests/wirelogs against a driver: the log is the instrument and, in its ":"
// and "=" lines, also the caller and what it must get. The grammar is in docs/drivers.md.
#pragma once

#include <string>
#include <vector>

#include "fake_line.hpp"

namespace nightwell::instrument::test {

// What went otherwise than written; empty: all as written.
std::vector<std::string> play_wire_log(const std::string& text, LineKind kind);

}  // namespace nightwell::instrument::test
