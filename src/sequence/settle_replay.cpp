#include "sequence/settle_replay.hpp"

#include <cmath>

namespace nightwell::sequence {

namespace {

// "drift 0.2 of 0.1 K" and "drift 0.19 of 0.1 K" are one test.
std::string test_of(const std::string& holding) {
  return holding.substr(0, holding.find(' '));
}

void look(PlateauReplay& plateau, const SettleWindow& window, double time_s) {
  plateau.facts = window.facts({});
  const double after_s = time_s - plateau.begun_s;
  if (plateau.facts.steady)
    plateau.steady_after_s = after_s;
  else if (plateau.held.empty() || test_of(plateau.held.back().holding) != test_of(plateau.facts.holding))
    plateau.held.push_back({after_s, plateau.facts.holding});
}

}  // namespace

std::vector<PlateauReplay> replay_settle(const std::vector<LoggedReading>& log, const SettleRule& rule,
                                         Duration largest_gap, double band_k) {
  std::vector<PlateauReplay> out;
  SettleWindow window;
  for (const LoggedReading& reading : log) {
    if (out.empty() || out.back().setpoint_c != reading.setpoint_c) {
      out.push_back({reading.setpoint_c, reading.time_s, {}, {}, {}});
      window = SettleWindow(rule, largest_gap);
    }
    if (out.back().steady_after_s) continue;
    if (std::abs(reading.t_c - reading.setpoint_c) <= band_k)
      window.add_reference(Instant{from_seconds(reading.time_s)}, reading.t_c);
    else
      window.restart("outside the band");
    look(out.back(), window, reading.time_s);
  }
  return out;
}

}  // namespace nightwell::sequence
