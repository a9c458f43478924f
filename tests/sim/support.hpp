// A bench for tests: one bath, one scanner, true errors that are easy to see.
#pragma once

#include <string>
#include <utility>

#include "drivers/sim/bench.hpp"

namespace nightwell::sim::test {

inline const char* const bench_text = R"({
  "format": "nightwell-sim/1", "ambient_c": 21,
  "sources": {"bath": {"kind": "bath", "port": {"type": "pty", "path": "ports/bath"}}},
  "scanners": {"scan": {"port": {"type": "pty", "path": "ports/scan"},
    "channels": {"101": {"sensor": "ref"}, "102": {"sensor": "item"}, "103": {"sensor": "tc"},
                 "104": {"sensor": "block"}, "105": {"sensor": "shelf"}}}},
  "sensors": {
    "ref": {"model": {"kind": "platinum", "r0_ohm": 100}, "in": "bath", "position": "reference", "lag_s": [8, 3]},
    "item": {"model": {"kind": "platinum", "r0_ohm": 100}, "in": "bath", "lag_s": [20, 5], "offset_k": 0.2,
             "slope_k_per_k": 0.001},
    "tc": {"model": {"kind": "thermocouple", "type": "T"}, "in": "bath", "lag_s": [12], "offset_k": -0.3,
           "junction": "block"},
    "block": {"model": {"kind": "platinum", "r0_ohm": 100}, "in": "scan"},
    "shelf": {"model": {"kind": "platinum", "r0_ohm": 100}, "noise": 0.001, "quantum": 0.0001}
  }
})";

inline Config bench_config() {
  return std::move(parse_config(bench_text, "/nowhere")).value();
}

// A message, carried through to its reply.
inline std::string ask(Instrument& instrument, World& world, const std::string& line, double now_s = 0) {
  world.advance_to(now_s);
  instrument.begin(line, now_s);
  while (instrument.busy()) {
    world.advance_to(instrument.due_s());
    instrument.proceed();
  }
  return instrument.take_reply();
}

}  // namespace nightwell::sim::test
