// Values over time: what lies between two readings, and how much a line through them rises.
//
// Pure. Times in seconds, on any scale common to both sides.
#pragma once

#include <optional>
#include <vector>

namespace nightwell::results {

struct Point {
  double at_s = 0;
  double value = 0;
};

class Series {
 public:
  Series() = default;
  // In any order; sorted by time here. Points of one time are replaced by their mean.
  explicit Series(std::vector<Point> points);

  struct Value {
    double value = 0;
    bool between = false;  // false: before the first or after the last point, and `value` is the nearest one's
  };
  // On the straight line between the two points around `at_s`. nullopt in an empty series.
  [[nodiscard]] std::optional<Value> at(double at_s) const;

  [[nodiscard]] const std::vector<Point>& points() const { return points_; }

 private:
  std::vector<Point> points_;
};

// Slope of the ordinary least-squares line x time from the first to the last point. nullopt with less than two
// moments.
[[nodiscard]] std::optional<double> drift(const Series& series);

}  // namespace nightwell::results
