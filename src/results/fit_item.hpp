// An item's own coefficients from a run's plateaus (thermometry/fit_sensor.hpp, docs/fits.md).
//
// A point a plateau: the reference's temperature at the moments of the item's readings, and the item's mean raw value; a
// thermocouple's with its junction brought to 0 °C through the reference function. Its uncertainty is what differs from
// plateau to plateau: the scatter of the readings and the drift during the capture. What all plateaus share (certificates,
// scanner, source) is in the budgets and is not fitted away.
// Errors: not_found (no such item), bad_input (a kind of sensor that has no fit; too few plateaus; those of the fit).
#pragma once

#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "results/results.hpp"
#include "thermometry/fit_sensor.hpp"

namespace nightwell::results {

struct FitOptions {
  // Of a thermocouple's deviation (nothing: 2), or of a thermistor's polynomial in ln R (nothing: the card's own equation,
  // Steinhart–Hart or a polynomial of its degree).
  std::optional<int> degree;
  bool through_zero = true;     // a thermocouple's deviation is 0 at 0 °C
  bool fit_c = false;           // of a platinum thermometer, where there are plateaus below 0 °C
  std::optional<int> subrange;  // of an SPRT; nothing: the card's own, if it has one only
};

struct ItemFit {
  std::size_t channel = 0;
  std::vector<std::size_t> plateaus;  // by their place in Results::plateaus: a point each
  std::vector<thermometry::FitPoint> points;
  thermometry::SensorFit fit;
  // The largest expanded uncertainty of the plateaus' budgets, with the fit's own leave-one-out error added in squares (twice:
  // k = 2); nothing where a plateau has no budget, or one with gaps.
  std::optional<double> u95_k;
};

// `channel`: an item's.
[[nodiscard]] Result<ItemFit> fit_channel(const Results& results, std::size_t channel, const FitOptions& options);

// `item`: the channel's name or the sensor's serial number.
[[nodiscard]] Result<ItemFit> fit_item(const Results& results, const std::string& item, const FitOptions& options);

}  // namespace nightwell::results
