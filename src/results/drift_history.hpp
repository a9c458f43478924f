// One sensor over its certificates: how far its signal moved from each to the next, and in a year.
//
// Change at t = (signal at t by the later certificate - by the earlier) / sensitivity at t by the earlier: what the sensor itself
// has moved by, in kelvin. Positive: a reading taken with the earlier card had become that much too high by the date of the later
// certificate. (Of a thermistor, whose resistance falls, that is a lower resistance.) A thermocouple's emf is that with its
// junction at 0 °C. Exact but for the square of the change times the curvature of the sensor: 2 µK of a platinum thermometer that
// moved by 0.1 K.
// U of a change: root of the sum of squares of both certificates' U95 (k = 2), taken as independent; what both share (one
// laboratory's reference, say) makes it too large, never too small.
// `largest`: the largest change a year of any interval and temperature, and `effect` the same as a line of a lab budget: a
// half-width that grows each year, rounded up to two digits. Intervals whose two cards have the same coefficients say nothing
// about the sensor and are left out of it; `measured` counts the others.
// Errors: bad_input (fewer than two cards, another serial number or kind of model, a card without `calibrated`, two of one date,
// no range in common, an indicated temperature, which has no coefficients), out_of_range (a temperature outside the common range,
// or where the signal does not change with temperature), and those of the models.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "uncertainty/lab_budget.hpp"

namespace nightwell::results {

struct Certificate {
  std::string file;  // of its card, for messages
  std::string serial, certificate, calibrated;
  std::optional<double> u95_k;          // k = 2
  thermometry::TemperatureSpan limits;  // of use
  thermometry::SensorModel model;
};

struct DriftPoint {
  double t_c = 0;
  double change_k = 0, per_year_k = 0;
  std::optional<bool> within_u;  // |change| at most U; nothing where a certificate states no U95
};

// Of an SPRT: what R at the triple point of water has moved by, as resistance and as temperature there.
struct TriplePointChange {
  double earlier_ohm = 0, later_ohm = 0, change_ohm = 0, change_k = 0;
};

// From certificate `earlier` to `earlier + 1`.
struct DriftInterval {
  std::size_t earlier = 0;
  int days = 0;
  double years = 0;
  std::optional<double> u95_k;  // of a change
  bool same_coefficients = false;
  std::optional<TriplePointChange> triple_point;
  std::vector<DriftPoint> points;
};

struct LargestDrift {
  std::size_t interval = 0;
  DriftPoint point;
};

struct DriftHistory {
  std::string serial, kind;
  std::vector<Certificate> certificates;  // oldest first
  thermometry::TemperatureSpan range;     // that all cards have
  std::vector<DriftInterval> intervals;
  std::size_t measured = 0;  // intervals with coefficients of their own
  std::optional<LargestDrift> largest;
  std::optional<uncertainty::Effect> effect;  // nothing where nothing moved
};

// `at_c` empty: the ends of the common range and three temperatures between, and the ice point (triple point) of a platinum
// thermometer (SPRT) where the range has it.
[[nodiscard]] Result<DriftHistory> drift_history(std::vector<Certificate> certificates, std::vector<double> at_c);

}  // namespace nightwell::results
