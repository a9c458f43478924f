// A recorded log through the settle rule: when would it have said "steady", and what held it until then?
//
// Times in seconds on the log's own scale, not decreasing; temperatures t90 in °C. A change of the setpoint begins a new
// plateau. Readings outside the band (|reading - setpoint| > band_k) restart the window, as in a run.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sequence/settle.hpp"

namespace nightwell::sequence {

struct LoggedReading {
  double time_s = 0, setpoint_c = 0, t_c = 0;
};

struct HeldFrom {
  double after_s = 0;   // since the plateau began
  std::string holding;  // the test that held from then on, as it stood at that moment
};

struct PlateauReplay {
  double setpoint_c = 0;
  double begun_s = 0;
  std::vector<HeldFrom> held;            // one each time another test took over
  std::optional<double> steady_after_s;  // nothing: never
  WindowFacts facts;                     // at that moment, or at the last reading
};

// `largest_gap`: two readings further apart restart the window.
[[nodiscard]] std::vector<PlateauReplay> replay_settle(const std::vector<LoggedReading>& log, const SettleRule& rule,
                                                       Duration largest_gap, double band_k);

}  // namespace nightwell::sequence
