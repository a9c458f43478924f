// The settle window on made-up readings.
#include "sequence/settle.hpp"

#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwell;
using namespace nightwell::sequence;
using namespace std::chrono_literals;

namespace {

constexpr SettleRule rule{100s, 0.010, 0.020, std::nullopt};

Instant at(double s) {
  return Instant{from_seconds(s)};
}

SettleWindow filled(double slope_k_per_s, double wave_k, SettleRule with = rule, double until_s = 110) {
  SettleWindow window(with, 20s);
  for (double s = 0; s <= until_s; s += 5) window.add_reference(at(s), 25 + slope_k_per_s * s + wave_k * std::sin(s));
  return window;
}

}  // namespace

TEST_CASE("A quiet window is steady, and not before it spans the rule's length") {
  CHECK(filled(0, 0).facts({}).steady);
  const auto facts = filled(0, 0, rule, 95).facts({});
  CHECK_FALSE(facts.steady);
  CHECK(facts.holding == "window 95 of 100 s");
}

TEST_CASE("Drift is the end-to-end change of the fitted line over the window") {
  const auto facts = filled(0.0002, 0).facts({});
  CHECK(facts.drift_k == Approx(0.02));
  CHECK_FALSE(facts.steady);
  CHECK(facts.holding == "drift 0.0200 of 0.0100 K");
  CHECK(filled(0.00009, 0).facts({}).steady);
}

TEST_CASE("A ripple without drift is held by the spread") {
  const auto facts = filled(0, 0.03).facts({});
  CHECK(facts.holding.rfind("spread", 0) == 0);
  CHECK(facts.spread_k == Approx(0.06).epsilon(0.1));
}

TEST_CASE("The turning point of an overshoot is not steady though its slope is nil") {
  SettleWindow window(rule, 20s);
  for (double s = -50; s <= 50; s += 5) window.add_reference(at(s + 50), 25.5 - 1e-4 * s * s);
  const auto facts = window.facts({});
  CHECK(std::abs(facts.drift_k) < 1e-9);
  CHECK_FALSE(facts.steady);
}

TEST_CASE("The window slides: old readings go, and it stays as long as the rule asks") {
  SettleWindow window(rule, 20s);
  for (double s = 0; s < 1000; s += 5) window.add_reference(at(s), s < 500 ? 20.0 : 25.0);
  const auto facts = window.facts({});
  CHECK(facts.steady);
  CHECK(facts.minimum_c == 25.0);
  CHECK(facts.held >= rule.window);
  CHECK(facts.held < rule.window + 5s);
}

TEST_CASE("A gap restarts the window and is named") {
  SettleWindow window(rule, 20s);
  for (double s = 0; s <= 100; s += 5) window.add_reference(at(s), 25);
  window.add_reference(at(160), 25);
  const auto facts = window.facts({});
  CHECK(facts.readings == 1);
  CHECK(facts.holding.find("no reference reading for 60 s") != std::string::npos);
}

TEST_CASE("Few readings cannot prove anything however long they span") {
  SettleWindow window(rule, 200s);
  for (double s = 0; s <= 120; s += 40) window.add_reference(at(s), 25);
  CHECK_FALSE(window.facts({}).steady);
}

TEST_CASE("A thousand degrees cost no digits") {
  SettleWindow window(rule, 20s);
  for (double s = 0; s <= 110; s += 5) window.add_reference(at(s + 40000), 1064.18 + 0.00005 * s);
  const auto facts = window.facts({});
  CHECK(facts.drift_k == Approx(0.005).epsilon(1e-6));
}

TEST_CASE("Items are judged by their drift against the reference") {
  SettleRule with = rule;
  with.item_drift_k = 0.010;
  const auto window_with = [&](double item_slope_k_per_s, double from_s) {
    SettleWindow window(with, 20s);
    for (double s = 0; s <= 110; s += 5) {
      window.add_reference(at(s), 25);
      if (s >= from_s) window.add_item(7, at(s), 0.3 + item_slope_k_per_s * s);
    }
    return window.facts({7});
  };
  CHECK(window_with(0, 0).steady);  // a constant error is what the night is about, not a reason to wait
  const auto drifting = window_with(0.0003, 0);
  CHECK_FALSE(drifting.steady);
  CHECK(drifting.worst_item == std::size_t{7});
  CHECK(drifting.worst_item_drift_k == Approx(0.03));
  CHECK(window_with(0, 60).holding == "item not read over the window yet");
}
