#include "results/series.hpp"

#include <algorithm>
#include <cstddef>

#include "uncertainty/statistics.hpp"

namespace nightwell::results {

Series::Series(std::vector<Point> points) {
  std::stable_sort(points.begin(), points.end(), [](const Point& a, const Point& b) { return a.at_s < b.at_s; });
  for (std::size_t i = 0; i < points.size();) {
    double sum = 0;
    std::size_t same = 0;
    for (; i + same < points.size() && points[i + same].at_s == points[i].at_s; ++same) sum += points[i + same].value;
    points_.push_back({points[i].at_s, sum / static_cast<double>(same)});
    i += same;
  }
}

std::optional<Series::Value> Series::at(double at_s) const {
  if (points_.empty()) return std::nullopt;
  const auto after = std::lower_bound(points_.begin(), points_.end(), at_s,
                                      [](const Point& point, double moment) { return point.at_s < moment; });
  if (after == points_.end()) return Value{points_.back().value, false};
  if (after->at_s == at_s) return Value{after->value, true};
  if (after == points_.begin()) return Value{after->value, false};
  const Point& before = *(after - 1);
  const double part = (at_s - before.at_s) / (after->at_s - before.at_s);
  return Value{before.value + part * (after->value - before.value), true};
}

std::optional<double> drift(const Series& series) {
  std::vector<double> at_s, values;
  for (const Point& point : series.points()) {
    at_s.push_back(point.at_s);
    values.push_back(point.value);
  }
  // From the first moment on: late in a night the times are large, and their squares would cost digits.
  const auto line = at_s.empty() ? std::nullopt : uncertainty::least_squares_line(at_s, values, at_s.front());
  if (!line) return std::nullopt;
  return line->slope * (at_s.back() - at_s.front());
}

}  // namespace nightwell::results
