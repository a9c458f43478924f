#include "sequence/settle.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

namespace nightwell::sequence {

namespace {

// "0.0123": fixed, four decimals, enough for 0.1 mK.
std::string kelvin(double value) {
  char text[48];
  const auto end = std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, 4).ptr;
  return {text, end};
}

std::string whole_seconds(Duration d) {
  return std::to_string(d.count() / 1'000'000);
}

}  // namespace

void SettleWindow::restart(std::string why) {
  reference_.clear();
  items_.clear();
  restarted_ = std::move(why);
}

void SettleWindow::add_reference(Instant at, double t_c) {
  if (!reference_.empty() && largest_gap_.count() > 0 && at - reference_.back().at > largest_gap_)
    restart("no reference reading for " + whole_seconds(at - reference_.back().at) + " s");
  reference_.push_back({at, t_c});
  drop_old();
}

void SettleWindow::add_item(std::size_t channel, Instant at, double difference_k) {
  auto found = std::find_if(items_.begin(), items_.end(), [&](const auto& i) { return i.channel == channel; });
  if (found == items_.end()) found = items_.insert(items_.end(), ItemPoints{channel, {}});
  found->points.push_back({at, difference_k});
}

void SettleWindow::leave_out(std::size_t channel) {
  std::erase_if(items_, [&](const auto& item) { return item.channel == channel; });
}

void SettleWindow::drop_old() {
  const Instant newest = reference_.back().at;
  // The oldest reading may go once the next one alone still spans the window.
  while (reference_.size() > 2 && newest - reference_[1].at >= rule_.window) reference_.pop_front();
  for (auto& item : items_)
    while (!item.points.empty() && item.points.front().at < reference_.front().at) item.points.pop_front();
}

SettleWindow::Line SettleWindow::fit(const std::deque<Point>& points) {
  const double n = static_cast<double>(points.size());
  const Instant t0 = points.front().at;
  const double v0 = points.front().value;
  double sum_t = 0, sum_v = 0;
  for (const auto& p : points) {
    sum_t += to_seconds(p.at - t0);
    sum_v += p.value - v0;
  }
  const double mean_t = sum_t / n, mean_v = sum_v / n;
  double tt = 0, tv = 0, vv = 0;
  for (const auto& p : points) {
    const double t = to_seconds(p.at - t0) - mean_t;
    const double v = p.value - v0 - mean_v;
    tt += t * t;
    tv += t * v;
    vv += v * v;
  }
  return {.mean = v0 + mean_v, .slope_per_s = tt > 0 ? tv / tt : 0, .deviation = n > 1 ? std::sqrt(vv / (n - 1)) : 0};
}

WindowFacts SettleWindow::facts(const std::vector<std::size_t>& items) const {
  WindowFacts facts;
  facts.length = rule_.window;
  facts.readings = reference_.size();
  if (reference_.empty()) {
    facts.holding = restarted_.empty() ? "no reading in the band yet" : restarted_;
    return facts;
  }
  facts.from = reference_.front().at;
  facts.to = reference_.back().at;
  facts.held = facts.to - facts.from;
  const auto [low, high] = std::minmax_element(reference_.begin(), reference_.end(),
                                               [](const auto& a, const auto& b) { return a.value < b.value; });
  facts.minimum_c = low->value;
  facts.maximum_c = high->value;
  facts.spread_k = high->value - low->value;
  const Line line = fit(reference_);
  facts.mean_c = line.mean;
  facts.deviation_k = line.deviation;
  facts.drift_k = line.slope_per_s * to_seconds(rule_.window);

  if (facts.held < rule_.window)
    facts.holding = "window " + whole_seconds(facts.held) + " of " + whole_seconds(rule_.window) + " s" +
                    (restarted_.empty() ? "" : " (" + restarted_ + ")");
  else if (facts.readings < fewest_window_readings)
    facts.holding = "readings " + std::to_string(facts.readings) + " of " + std::to_string(fewest_window_readings);
  else if (std::abs(facts.drift_k) > rule_.largest_drift_k)
    facts.holding = "drift " + kelvin(std::abs(facts.drift_k)) + " of " + kelvin(rule_.largest_drift_k) + " K";
  else if (facts.spread_k > rule_.largest_spread_k)
    facts.holding = "spread " + kelvin(facts.spread_k) + " of " + kelvin(rule_.largest_spread_k) + " K";
  if (rule_.item_drift_k) judge_items(items, facts);
  facts.steady = facts.holding.empty();
  return facts;
}

void SettleWindow::judge_items(const std::vector<std::size_t>& items, WindowFacts& facts) const {
  std::optional<std::size_t> unproven;
  for (const std::size_t channel : items) {
    const auto found = std::find_if(items_.begin(), items_.end(), [&](const auto& i) { return i.channel == channel; });
    const bool enough = found != items_.end() && found->points.size() >= fewest_item_readings &&
                        (found->points.back().at - found->points.front().at) * 4 >= rule_.window * 3;
    if (!enough) {
      if (!unproven) unproven = channel;
      continue;
    }
    const double drift_k = fit(found->points).slope_per_s * to_seconds(rule_.window);
    if (!facts.worst_item || std::abs(drift_k) > std::abs(facts.worst_item_drift_k)) {
      facts.worst_item = channel;
      facts.worst_item_drift_k = drift_k;
    }
  }
  if (!facts.holding.empty()) return;
  if (unproven) {
    facts.worst_item = unproven;
    facts.holding = "item not read over the window yet";
  } else if (facts.worst_item && std::abs(facts.worst_item_drift_k) > *rule_.item_drift_k) {
    facts.holding =
        "item drift " + kelvin(std::abs(facts.worst_item_drift_k)) + " of " + kelvin(*rule_.item_drift_k) + " K";
  }
}

}  // namespace nightwell::sequence
