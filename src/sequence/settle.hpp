// The settle rule on a sliding window of reference readings, and of each item against the reference.
//
// A value: add readings in time order, ask for the facts. Times are run time (Instant); temperatures t90 in
// °C. Method: the window keeps the newest readings that span at least `SettleRule::window`. Drift is the
// end-to-end change of the least-squares line over the window (|slope| x window), spread is maximum -
// minimum. Sums are taken about the window's first reading, so the arithmetic does not lose digits at 1000
// °C. A gap between two readings longer than `largest_gap` restarts the window: what happened in it is
// unknown. Source: two limits on the reference, drift and spread, are common practice, no source.
#pragma once

#include <cstddef>
#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "sequence/plan.hpp"

namespace nightwell::sequence {

// Fewest reference readings, and fewest readings of an item, that a window may be judged by.
inline constexpr std::size_t fewest_window_readings = 5;
inline constexpr std::size_t fewest_item_readings = 4;

struct WindowFacts {
  Duration length{};  // what the rule asks
  Duration held{};    // what the window spans now
  std::size_t readings = 0;
  double minimum_c = 0, maximum_c = 0, mean_c = 0;
  double deviation_k = 0;  // sample standard deviation
  double drift_k = 0;      // signed: end-to-end change of the fitted line over the rule's window
  double spread_k = 0;
  std::optional<std::size_t> worst_item;  // channel index of the item that drifts most against the reference
  double worst_item_drift_k = 0;          // signed
  Instant from, to;                       // first and last reference reading in the window
  bool steady = false;
  std::string holding;  // for people: why not yet, "drift 0.012 of 0.010 K"; empty once steady
};

class SettleWindow {
 public:
  SettleWindow() = default;
  SettleWindow(SettleRule rule, Duration largest_gap) : rule_(rule), largest_gap_(largest_gap) {}

  // Empties the window. `why` stands in `holding` until it fills.
  void restart(std::string why);

  // A reference reading inside the band (the mean of two references where there are two). Times do not
  // decrease.
  void add_reference(Instant at, double t_c);

  // An item's reading against the reference at the same moment, in kelvin.
  void add_item(std::size_t channel, Instant at, double difference_k);

  // An item that no longer counts (open, failed).
  void leave_out(std::size_t channel);

  // Items that the rule must have seen before it may say steady; ignored where the rule has no item_drift_k.
  [[nodiscard]] WindowFacts facts(const std::vector<std::size_t>& items) const;

  [[nodiscard]] bool empty() const { return reference_.empty(); }

 private:
  struct Point {
    Instant at;
    double value = 0;
  };
  struct ItemPoints {
    std::size_t channel = 0;
    std::deque<Point> points;
  };
  struct Line {
    double mean = 0, slope_per_s = 0, deviation = 0;
  };

  static Line fit(const std::deque<Point>& points);
  void judge_items(const std::vector<std::size_t>& items, WindowFacts& facts) const;
  void drop_old();

  SettleRule rule_;
  Duration largest_gap_{};
  std::deque<Point> reference_;
  std::vector<ItemPoints> items_;
  std::string restarted_;
};

}  // namespace nightwell::sequence
