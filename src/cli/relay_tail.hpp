// `nightwell tail --relay`: prints a run's records as a relay sends them, keeps a copy, and says what happens to the line.
#pragma once

#include <string>

#include "cli/context.hpp"
#include "cli/record_printer.hpp"

namespace nightwell::cli {

struct RelayTail {
  std::string file, at;  // the follower's file; HOST:PORT instead of the one in it, or empty
  std::string run;       // empty: the newest
  std::string copy;      // a folder; empty: none
  bool follow = false;
  double silence_s = 300;  // 0: never
  RecordChoice choice;
};

void tail_relay(Context& context, const RelayTail& wish);

}  // namespace nightwell::cli
