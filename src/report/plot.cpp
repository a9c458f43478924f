#include "report/plot.hpp"

#include <algorithm>
#include <cmath>

#include "journal/plain_text.hpp"
#include "report/numbers.hpp"

namespace nightwell::report {

namespace {

constexpr double page_width = 510;  // 180 mm in points
constexpr double left = 52, right = 10, above = 18, below = 32;
constexpr double farthest = 1e6;
constexpr double tick_length = 4;
constexpr double letter_width = 4.9;  // a fair mean at 9 points
constexpr double sample_width = 22;   // of a line in the legend

double held(double value) {
  return std::isnan(value) ? 0 : std::clamp(value, -farthest, farthest);
}

}  // namespace

void Span::take(double value) {
  value = held(value);
  low_ = any_ ? std::min(low_, value) : value;
  high_ = any_ ? std::max(high_, value) : value;
  any_ = true;
}

Range Span::padded(double part, double least) const {
  if (!any_) return {0, 1};
  const double pad = std::max(part * (high_ - low_), (least - (high_ - low_)) / 2);
  return {low_ - std::max(0.0, pad), high_ + std::max(0.0, pad)};
}

Ticks ticks(Range range, int about) {
  const double length = range.high - range.low;
  if (!(length > 0) || !std::isfinite(length)) return {{range.low}, 3};
  const double rough = length / about;
  const double power = std::floor(std::log10(rough));
  const double unit = std::pow(10.0, power);
  const double part = rough / unit;
  const double factor = part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10;
  const double step = factor * unit;
  Ticks out;
  out.decimals = std::max(0, -static_cast<int>(std::floor(std::log10(step * 1.0001))));
  const double first = std::ceil(range.low / step - 1e-9);
  for (double i = first; i * step <= range.high + 1e-9 * step; ++i) out.at.push_back(i * step);
  return out;
}

Plot::Plot(double height, Range x, Range y, std::string x_label, std::string y_label, std::string_view label)
    : height_(height),
      x_(x),
      y_(y),
      x_label_(std::move(x_label)),
      y_label_(std::move(y_label)),
      legend_x_(left),
      svg_(page_width, height, label) {}

double Plot::x(double value) const {
  return left + (held(value) - x_.low) / (x_.high - x_.low) * (page_width - left - right);
}
double Plot::y(double value) const {
  return bottom() - (held(value) - y_.low) / (y_.high - y_.low) * (bottom() - top());
}
double Plot::top() const {
  return above;
}
double Plot::bottom() const {
  return height_ - below;
}

void Plot::shade(double from, double to, const char* fill) {
  const double start = x(std::max(from, x_.low)), end = x(std::min(to, x_.high));
  svg_.rectangle({start, top()}, end - start, bottom() - top(), fill);
}

void Plot::curve(const std::vector<Spot>& values, const Stroke& stroke) {
  std::vector<Spot> spots;
  spots.reserve(values.size());
  for (const Spot& value : values) spots.push_back(at(value.x, value.y));
  svg_.polyline(spots, stroke);
}

// Where the entry's sample starts; its text is written behind.
double Plot::legend_entry(const std::string& text) {
  const double start = legend_x_;
  svg_.text({start + sample_width + 4, above - 6}, text);
  legend_x_ += sample_width + 4 + letter_width * static_cast<double>(journal::columns(text)) + 12;
  return start;
}

void Plot::legend(const Stroke& stroke, const std::string& text) {
  const double start = legend_entry(text);
  svg_.line({start, above - 9}, {start + sample_width, above - 9}, stroke);
}
void Plot::legend(Mark mark, const std::string& text) {
  const double start = legend_entry(text);
  svg_.mark(mark, {start + sample_width / 2, above - 9});
}
void Plot::legend_shade(const char* fill, const std::string& text) {
  const double start = legend_entry(text);
  svg_.rectangle({start, above - 13}, sample_width, 8, fill);
}

std::string Plot::finished() && {
  const double start = left, end = page_width - right;
  const Ticks x_ticks = ticks(x_, 9), y_ticks = ticks(y_, static_cast<int>(std::max(3.0, height_ / 36)));
  const Stroke grid{0.4, "1 2", "#777"}, axis{0.8, "", "#000"};
  for (const double value : y_ticks.at) {
    svg_.line({start, y(value)}, {end, y(value)}, grid);
    svg_.line({start, y(value)}, {start - tick_length, y(value)}, axis);
    svg_.text({start - tick_length - 2, y(value) + 3.2}, fixed(value, y_ticks.decimals), Anchor::end);
  }
  for (const double value : x_ticks.at) {
    svg_.line({x(value), bottom()}, {x(value), bottom() + tick_length}, axis);
    svg_.text({x(value), bottom() + tick_length + 9}, fixed(value, x_ticks.decimals), Anchor::middle);
  }
  svg_.polyline({{start, top()}, {end, top()}, {end, bottom()}, {start, bottom()}, {start, top()}}, axis);
  svg_.text({(start + end) / 2, height_ - 5}, x_label_, Anchor::middle);
  svg_.text_upwards({10, (top() + bottom()) / 2}, y_label_);
  return svg_.finished();
}

}  // namespace nightwell::report
