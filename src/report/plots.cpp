#include "report/plots.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "report/plot.hpp"

namespace nightwell::report {

namespace {

using results::Course;
using results::Direction;
using results::Item;
using results::Plateau;
using results::PlateauCourse;
using results::Point;
using results::Results;
using results::SourceStep;

constexpr const char* window_grey = "#e9e9e9";
constexpr const char* capture_grey = "#c8c8c8";
constexpr Stroke solid{1.1, "", "#000"};
constexpr Stroke dashed{1.0, "5 3", "#000"};
constexpr Stroke dotted{1.0, "1.5 2", "#000"};
constexpr Stroke thin{0.6, "", "#555"};

// A time axis of the run: hours, or minutes for a short one.
struct TimeUnit {
  double seconds = 3600;
  const char* label = "time since the opening / h";
};
TimeUnit unit_for(double length_s) {
  if (length_s < 7200) return {60, "time since the opening / min"};
  return {};
}

// One source's steps as a line that is broken where its output is off.
void draw_setpoints(Plot& plot, const std::vector<SourceStep>& steps, double end_s, double unit_s) {
  for (std::size_t i = 0; i < steps.size(); ++i) {
    if (!steps[i].output) continue;
    const double until_s = i + 1 < steps.size() ? steps[i + 1].at_s : end_s;
    const bool goes_on = i + 1 < steps.size() && steps[i + 1].output;
    std::vector<Spot> spots{{steps[i].at_s / unit_s, steps[i].target_c}, {until_s / unit_s, steps[i].target_c}};
    if (goes_on) spots.push_back({until_s / unit_s, steps[i + 1].target_c});
    plot.curve(spots, dashed);
  }
}

void draw_shades(Plot& plot, const Results& results, const Course& course, double unit_s) {
  for (const PlateauCourse& plateau : course.plateaus)
    if (plateau.window) plot.shade(plateau.window->from_s / unit_s, plateau.window->to_s / unit_s, window_grey);
  for (const Plateau& plateau : results.plateaus)
    if (plateau.from_s && plateau.to_s) plot.shade(*plateau.from_s / unit_s, *plateau.to_s / unit_s, capture_grey);
}

void write_numbers(Plot& plot, const Results& results, const Course& course, double unit_s) {
  for (const PlateauCourse& planned : course.plateaus) {
    const auto closed = std::find_if(results.plateaus.begin(), results.plateaus.end(),
                                     [&](const Plateau& one) { return one.index == planned.index; });
    if (closed == results.plateaus.end() || !(closed->to_s || planned.window)) continue;
    const double to_s = closed->to_s.value_or(planned.window ? planned.window->to_s : 0);
    const double from_s = planned.window ? std::min(planned.window->from_s, closed->from_s.value_or(to_s))
                                         : closed->from_s.value_or(to_s);
    plot.svg().text({plot.x((from_s + to_s) / 2 / unit_s), plot.top() + 10}, std::to_string(planned.index + 1),
                    Anchor::middle);
  }
}

const Item* item_at(const Plateau& plateau, std::size_t channel) {
  for (const Item& item : plateau.items)
    if (item.readings.channel == channel) return &item;
  return nullptr;
}

// An error or a residual as it is drawn, in kelvin.
struct ErrorPoint {
  double t_c = 0, error_k = 0;
  std::optional<double> u_k, limit_k;
  Direction direction = Direction::unknown;
};

std::vector<ErrorPoint> error_points(const Results& results, std::size_t channel) {
  std::vector<ErrorPoint> out;
  for (const Plateau& plateau : results.plateaus) {
    const Item* item = item_at(plateau, channel);
    if (!item || !item->error_k) continue;
    out.push_back({plateau.setpoint_c, *item->error_k, item->budget ? item->budget->expanded_k : std::nullopt,
                   item->verdict ? item->verdict->limit_k : std::nullopt, plateau.direction});
  }
  return out;
}

Mark mark_of(Direction direction) {
  switch (direction) {
    case Direction::up: return Mark::triangle_up;
    case Direction::down: return Mark::triangle_down;
    case Direction::unknown: return Mark::circle;
  }
  return Mark::circle;
}

void draw_limits(Plot& plot, const std::vector<ErrorPoint>& points, double scale, Range x) {
  std::map<double, double> limits;
  for (const ErrorPoint& point : points)
    if (point.limit_k) limits[point.t_c] = *point.limit_k * scale;
  if (limits.empty()) return;
  std::vector<Spot> upper, lower;
  for (const auto& [setpoint_c, limit] : limits) {
    upper.push_back({setpoint_c, limit});
    lower.push_back({setpoint_c, -limit});
  }
  // One setpoint alone still shows as a line.
  if (limits.size() == 1) {
    upper = {{x.low, upper[0].y}, {x.high, upper[0].y}};
    lower = {{x.low, lower[0].y}, {x.high, lower[0].y}};
  }
  std::vector<Spot> band;
  for (const Spot& spot : upper) band.push_back(plot.at(spot.x, spot.y));
  for (auto spot = lower.rbegin(); spot != lower.rend(); ++spot) band.push_back(plot.at(spot->x, spot->y));
  plot.svg().polygon(band, "#f0f0f0");
  plot.curve(upper, dashed);
  plot.curve(lower, dashed);
  plot.legend(dashed, "tolerance");
}

// Points that would lie over each other stand side by side: up to the left, down to the right.
double aside(const Plot& plot, const std::vector<ErrorPoint>& points, const ErrorPoint& point) {
  constexpr double room = 9;  // of a mark
  const bool crowded = std::any_of(points.begin(), points.end(), [&](const ErrorPoint& other) {
    return &other != &point && std::abs(plot.x(other.t_c) - plot.x(point.t_c)) < room;
  });
  if (!crowded) return 0;
  return point.direction == Direction::up ? -5 : point.direction == Direction::down ? 5 : 0;
}

// A value with a bar of `half` each way.
void draw_bar(Plot& plot, Spot spot, double value, double half) {
  const double high = plot.y(value + half), low = plot.y(value - half);
  plot.svg().line({spot.x, low}, {spot.x, high});
  for (const double end : {low, high}) plot.svg().line({spot.x - 3, end}, {spot.x + 3, end});
}

void draw_errors(Plot& plot, const std::vector<ErrorPoint>& points, double scale) {
  for (const ErrorPoint& point : points) {
    Spot spot = plot.at(point.t_c, point.error_k * scale);
    spot.x += aside(plot, points, point);
    if (point.u_k) draw_bar(plot, spot, point.error_k * scale, *point.u_k * scale);
    plot.svg().mark(mark_of(point.direction), spot);
  }
}

void legend_of_directions(Plot& plot, const std::vector<ErrorPoint>& points) {
  for (const Direction direction : {Direction::up, Direction::down})
    if (std::any_of(points.begin(), points.end(), [&](const auto& point) { return point.direction == direction; }))
      plot.legend(mark_of(direction), direction == Direction::up ? "come to from below" : "from above");
}

// Millikelvin where all of it is small.
bool small(const std::vector<ErrorPoint>& points) {
  double largest_k = 0;
  for (const ErrorPoint& point : points)
    largest_k = std::max({largest_k, std::abs(point.error_k) + point.u_k.value_or(0), point.limit_k.value_or(0)});
  return largest_k < 0.2;
}

}  // namespace

std::string night_plot(const Results& results, const Course& course) {
  const TimeUnit unit = unit_for(course.end_s);
  Span x, y;
  x.take(0);
  x.take(course.end_s / unit.seconds);
  std::map<std::string, std::vector<SourceStep>> sources;
  for (const SourceStep& step : course.steps) {
    sources[step.source].push_back(step);
    if (step.output) y.take(step.target_c);
  }
  for (const Point& point : course.reference) y.take(point.value);
  Plot plot(250, x.padded(0, 1e-3), y.padded(0.08, 0.1), unit.label, "temperature / °C",
            "Setpoint and reference temperature over the night");
  draw_shades(plot, results, course, unit.seconds);
  for (const auto& [source, steps] : sources) draw_setpoints(plot, steps, course.end_s, unit.seconds);
  std::vector<Spot> reference;
  for (const Point& point : course.reference) reference.push_back({point.at_s / unit.seconds, point.value});
  plot.curve(reference, solid);
  write_numbers(plot, results, course, unit.seconds);
  plot.legend(solid, "reference");
  plot.legend(dashed, "setpoint, output on");
  plot.legend_shade(window_grey, "settle window");
  plot.legend_shade(capture_grey, "readings that count");
  return std::move(plot).finished();
}

std::string window_plot(const PlateauCourse& plateau) {
  if (!plateau.window || plateau.window->points.empty()) return "";
  const auto& window = *plateau.window;
  const auto minutes = [&](double at_s) { return (at_s - window.from_s) / 60; };
  const auto mk = [&](double t_c) { return (t_c - window.mean_c) * 1e3; };
  double low = mk(window.points.front().value), high = low;
  for (const Point& point : window.points) {
    low = std::min(low, mk(point.value));
    high = std::max(high, mk(point.value));
  }
  // All readings pass the spread rule where they lie between two lines that far apart.
  const double half_spread = plateau.settle.largest_spread_k * 1e3 / 2, middle = (low + high) / 2;
  const double end = minutes(window.to_s), centre = end / 2;
  const double rule_min = std::max(plateau.settle.window_s / 60, 1e-6);
  const auto along = [&](double drift_k) {
    const double slope = drift_k * 1e3 / rule_min;
    return std::vector<Spot>{{0, -slope * centre}, {end, slope * centre}};
  };
  Span x, y;
  x.take(0);
  x.take(end);
  for (const double value : {low, high, middle - half_spread, middle + half_spread}) y.take(value);
  for (const double drift_k : {window.drift_k, plateau.settle.largest_drift_k, -plateau.settle.largest_drift_k})
    for (const Spot& spot : along(drift_k)) y.take(spot.y);
  Plot plot(165, x.padded(0, 1e-3), y.padded(0.06, 0.1), "time in the window / min", "from the mean / mK",
            "The reference in the settle window, around its mean");
  for (const double limit : {middle - half_spread, middle + half_spread})
    plot.curve({{0, limit}, {end, limit}}, dashed);
  for (const double drift_k : {plateau.settle.largest_drift_k, -plateau.settle.largest_drift_k})
    plot.curve(along(drift_k), dotted);
  std::vector<Spot> reference;
  for (const Point& point : window.points) reference.push_back({minutes(point.at_s), mk(point.value)});
  plot.curve(reference, thin);
  if (reference.size() <= 300)
    for (const Spot& spot : reference) plot.svg().mark(Mark::dot, plot.at(spot.x, spot.y));
  plot.curve(along(window.drift_k), {1.6, "", "#000"});
  plot.legend(thin, "reference");
  plot.legend({1.6, "", "#000"}, "its drift");
  plot.legend(dotted, "largest drift allowed");
  plot.legend(dashed, "largest spread allowed");
  return std::move(plot).finished();
}

std::string error_plot(const Results& results, std::size_t channel) {
  const auto points = error_points(results, channel);
  if (points.empty()) return "";
  const bool in_mk = small(points);
  const double scale = in_mk ? 1e3 : 1;
  Span x, y;
  y.take(0);
  for (const ErrorPoint& point : points) {
    x.take(point.t_c);
    for (const double sign : {-1.0, 1.0}) {
      y.take((point.error_k + sign * point.u_k.value_or(0)) * scale);
      y.take(sign * point.limit_k.value_or(0) * scale);
    }
  }
  const Range x_range = x.padded(0.06, 1);
  Plot plot(180, x_range, y.padded(0.08, in_mk ? 0.1 : 1e-3), "setpoint / °C", in_mk ? "error / mK" : "error / K",
            "Error against setpoint, with its expanded uncertainty and the limits of the tolerance");
  draw_limits(plot, points, scale, x_range);
  plot.curve({{x_range.low, 0}, {x_range.high, 0}}, thin);
  draw_errors(plot, points, scale);
  legend_of_directions(plot, points);
  if (std::any_of(points.begin(), points.end(), [](const auto& point) { return point.u_k.has_value(); }))
    plot.legend(Stroke{}, "±U");
  return std::move(plot).finished();
}

std::string residual_plot(const Results& results, const results::ItemFit& fit) {
  std::vector<ErrorPoint> points;
  for (std::size_t i = 0; i < fit.points.size(); ++i)
    points.push_back({fit.points[i].t_c, fit.fit.points[i].residual_k, 2 * fit.points[i].u_k, std::nullopt,
                      results.plateaus[fit.plateaus[i]].direction});
  const bool in_mk = small(points);
  const double scale = in_mk ? 1e3 : 1;
  Span x, y;
  y.take(0);
  for (const ErrorPoint& point : points) {
    x.take(point.t_c);
    for (const double sign : {-1.0, 1.0}) y.take((point.error_k + sign * *point.u_k) * scale);
  }
  const Range x_range = x.padded(0.06, 1);
  Plot plot(
      115, x_range, y.padded(0.1, in_mk ? 0.1 : 1e-3), "reference / °C", in_mk ? "residual / mK" : "residual / K",
      "Residuals of the fit against the reference's temperature, with twice the standard uncertainty of each point");
  plot.curve({{x_range.low, 0}, {x_range.high, 0}}, solid);
  draw_errors(plot, points, scale);
  legend_of_directions(plot, points);
  plot.legend(Stroke{}, "±2 u: scatter and drift");
  return std::move(plot).finished();
}

}  // namespace nightwell::report
