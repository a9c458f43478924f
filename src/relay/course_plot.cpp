#include <algorithm>
#include <cmath>

#include "journal/wording.hpp"
#include "relay/page.hpp"
#include "report/plot.hpp"
#include "report/svg.hpp"
#include "results/course.hpp"

namespace nightwell::relay {

namespace {

using report::Anchor;
using report::Range;
using report::Span;
using report::Spot;
using report::Stroke;
using report::Svg;

constexpr double margin_left = 42, margin_right = 12, margin_above = 22, margin_below = 36;
constexpr const char* ink = "currentColor";
constexpr Stroke reference_stroke{2.0, "", ink};
constexpr Stroke setpoint_stroke{1.4, "6 4", ink};
constexpr Stroke grid_stroke{0.4, "1 3", ink};
constexpr Stroke axis_stroke{0.8, "", ink};
// A gap is longer than five usual steps, and than a fiftieth of the time drawn: thinning out (results/course.hpp) leaves steps of
// nearly a hundredth.
constexpr double usual_steps = 5, gaps_seen = 50;
constexpr double lone_reading = 2;  // how wide it is drawn

// Hours, or minutes for a young run.
struct TimeAxis {
  double seconds = 3600;
  const char* label = "hours since the opening";
};
TimeAxis time_axis(double length_s) {
  if (length_s < 7200) return {60, "minutes since the opening"};
  return {};
}

class Frame {
 public:
  Frame(double width, double height, Range x, Range y) : width_(width), height_(height), x_(x), y_(y) {}
  [[nodiscard]] double x(double value) const { return margin_left + part(value, x_) * (end() - margin_left); }
  [[nodiscard]] double y(double value) const { return bottom() - part(value, y_) * (bottom() - margin_above); }
  [[nodiscard]] double end() const { return width_ - margin_right; }
  [[nodiscard]] double bottom() const { return height_ - margin_below; }

 private:
  static double part(double value, Range range) { return (value - range.low) / (range.high - range.low); }
  double width_, height_;
  Range x_, y_;
};

void draw_setpoints(Svg& svg, const Frame& frame, const Digest& digest, double end_s) {
  const auto& changes = digest.setpoints;
  std::vector<Spot> line;
  for (std::size_t i = 0; i < changes.size(); ++i) {
    if (!changes[i].setpoint_c) {
      svg.polyline(line, setpoint_stroke);
      line.clear();
      continue;
    }
    const double until_s = i + 1 < changes.size() ? changes[i + 1].at_s : end_s;
    line.push_back({frame.x(changes[i].at_s), frame.y(*changes[i].setpoint_c)});
    line.push_back({frame.x(until_s), frame.y(*changes[i].setpoint_c)});
  }
  svg.polyline(line, setpoint_stroke);
}

// The longest time between two readings that a line is drawn through.
double longest_step_s(const std::vector<results::Point>& points, double end_s) {
  std::vector<double> steps_s;
  for (std::size_t i = 1; i < points.size(); ++i) steps_s.push_back(points[i].at_s - points[i - 1].at_s);
  if (steps_s.empty()) return end_s;
  const auto middle = steps_s.begin() + static_cast<std::ptrdiff_t>(steps_s.size() / 2);
  std::nth_element(steps_s.begin(), middle, steps_s.end());
  return std::max(usual_steps * *middle, end_s / gaps_seen);
}

void draw_reference(Svg& svg, const Frame& frame, const std::vector<results::Point>& points, Range celsius,
                    double end_s) {
  const double longest_s = longest_step_s(points, end_s);
  std::vector<Spot> line;
  const auto finish = [&] {
    if (line.size() == 1) svg.polyline({line[0], {line[0].x + lone_reading, line[0].y}}, reference_stroke);
    svg.polyline(line, reference_stroke);
    line.clear();
  };
  double before_s = 0;
  for (const auto& point : points) {
    if (!line.empty() && point.at_s - before_s > longest_s) finish();
    line.push_back({frame.x(point.at_s), frame.y(std::clamp(point.value, celsius.low, celsius.high))});
    before_s = point.at_s;
  }
  finish();
}

void draw_axes(Svg& svg, const Frame& frame, Range hours, Range celsius, TimeAxis axis, double width, double height) {
  const auto y_ticks = report::ticks(celsius, static_cast<int>(std::max(3.0, height / 45)));
  const auto x_ticks = report::ticks(hours, static_cast<int>(std::max(3.0, width / 100)));
  for (const double value : y_ticks.at) {
    svg.line({margin_left, frame.y(value)}, {frame.end(), frame.y(value)}, grid_stroke);
    std::string text = journal::fixed(value, y_ticks.decimals);
    if (text.front() == '-') text.replace(0, 1, "\u2212");
    svg.text({margin_left - 6, frame.y(value) + 4}, text, Anchor::end);
  }
  for (const double value : x_ticks.at) {
    const double x = frame.x(value * axis.seconds);
    svg.line({x, frame.bottom()}, {x, frame.bottom() + 4}, axis_stroke);
    svg.text({x, frame.bottom() + 17}, journal::fixed(value, x_ticks.decimals), Anchor::middle);
  }
  svg.polyline({{margin_left, margin_above}, {margin_left, frame.bottom()}, {frame.end(), frame.bottom()}},
               axis_stroke);
  svg.text({frame.end(), height - 4}, axis.label, Anchor::end);
  svg.text({margin_left - 6, margin_above - 8}, "°C", Anchor::end);
}

}  // namespace

std::string course_plot(const Digest& digest, double width, double height) {
  if (digest.course.empty() || !digest.newest) return "";
  const double end_s = std::max(digest.newest->up_s, 60.0);
  const auto points = results::decimated(digest.course, most_course_points);
  Span span;
  for (const auto& point : points) span.take(point.value);
  for (const SetpointChange& change : digest.setpoints)
    if (change.setpoint_c) span.take(*change.setpoint_c);
  const Range celsius = span.padded(0.06, 1);
  const TimeAxis axis = time_axis(end_s);
  const Frame frame(width, height, {0, end_s}, celsius);
  Svg svg(width, height, "The reference's temperature and the setpoint, in degrees Celsius, since the opening");
  draw_axes(svg, frame, {0, end_s / axis.seconds}, celsius, axis, width, height);
  draw_setpoints(svg, frame, digest, end_s);
  draw_reference(svg, frame, points, celsius, end_s);
  return svg.finished();
}

}  // namespace nightwell::relay
