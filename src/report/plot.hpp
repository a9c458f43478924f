// A plot's frame: two axes with ticks, what lies between them, and a legend. Pure; no errors.
//
// Values beyond +-1e6 are drawn at that value: an instrument's mark for overload must not take a plot's scale to 1e37
// and its arithmetic out of what a double holds.
#pragma once

#include <string>
#include <vector>

#include "report/svg.hpp"

namespace nightwell::report {

struct Range {
  double low = 0, high = 0;
};

// Around all values so far.
class Span {
 public:
  void take(double value);
  // With `part` of its length more on each side, and at least `least` long; 0 to 1 where it took nothing.
  [[nodiscard]] Range padded(double part, double least) const;

 private:
  bool any_ = false;
  double low_ = 0, high_ = 0;
};

// Multiples of 1, 2 or 5 times a power of ten within the range, `about` of them (between half and twice as many); and
// how many decimals tell them apart.
struct Ticks {
  std::vector<double> at;
  int decimals = 0;
};
[[nodiscard]] Ticks ticks(Range range, int about);

class Plot {
 public:
  // `height` in points; as wide as an A4 page between margins of 15 mm.
  Plot(double height, Range x, Range y, std::string x_label, std::string y_label, std::string_view label);

  [[nodiscard]] double x(double value) const;
  [[nodiscard]] double y(double value) const;
  [[nodiscard]] Spot at(double x_value, double y_value) const { return {x(x_value), y(y_value)}; }
  [[nodiscard]] double top() const;
  [[nodiscard]] double bottom() const;
  [[nodiscard]] Svg& svg() { return svg_; }

  // Full height of the frame, from one x to another.
  void shade(double from, double to, const char* fill);
  void curve(const std::vector<Spot>& values, const Stroke& stroke);

  // Entries of the legend, above the frame, in the order they are given.
  void legend(const Stroke& stroke, const std::string& text);
  void legend(Mark mark, const std::string& text);
  void legend_shade(const char* fill, const std::string& text);

  // Draws the axes over everything else and ends the drawing.
  [[nodiscard]] std::string finished() &&;

 private:
  double legend_entry(const std::string& text);

  double height_;
  Range x_, y_;
  std::string x_label_, y_label_;
  double legend_x_ = 0;
  Svg svg_;
};

}  // namespace nightwell::report
