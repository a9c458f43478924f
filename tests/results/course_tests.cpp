// The course of a night, from records put together in memory.

#include <algorithm>
#include <cmath>

#include "night.hpp"
#include "results/course.hpp"

using namespace nightwell;
using namespace nightwell::results;
using nightwell::results::fixture::Json;
using nightwell::results::fixture::Night;

namespace {

Json whole_plan(std::size_t index, double setpoint_c) {
  return {{"plateau", index},
          {"setpoint_c", setpoint_c},
          {"source", "bath"},
          {"band_k", 0.5},
          {"settle",
           {{"window_s", 600.0}, {"largest_drift_k", 0.01}, {"largest_spread_k", 0.02}, {"item_drift_k", nullptr}}},
          {"capture", {{"placement", "inside"}, {"order", "mirrored"}, {"sweeps", 1}, {"pause_s", 0.0}}},
          {"approach_limit", {{"within_s", 10800.0}, {"otherwise", "park"}}},
          {"settle_limit", {{"within_s", 14400.0}, {"otherwise", "capture"}}},
          {"capture_limit", {{"within_s", 3600.0}, {"otherwise", "skip"}}}};
}

// Two references, R1 0.02 K above R2, in a bath that is at 15 °C + 1 mK/s.
Night night_of_two() {
  Night night({{"R1", "reference"}, {"R2", "reference"}, {"X"}},
              {{"references", {0, 1}}, {"mirrored", {0, 1, 2, 2, 1, 0}}});
  night.add("plateau_plan", whole_plan(0, 15.0));
  return night;
}
std::optional<double> warming_bath_c(std::size_t channel, double at_s) {
  return 15.0 + 0.001 * at_s + (channel == 0 ? 0.01 : channel == 1 ? -0.01 : 0.3);
}

Course course_of(const Night& given) {
  Night night = given;
  const Results results = night.results();
  auto out = course(night.records(), results);
  if (!out) FAIL(out.error().text());
  return std::move(out).value();
}

}  // namespace

TEST_CASE("the reference over the night is a point a sweep, the mean of both references", "[course]") {
  Night night = night_of_two();
  night.sweep("references", 100, {0, 2}, warming_bath_c, "watch");
  night.sweep("mirrored", 200, {0, 1, 2, 3, 4, 5}, warming_bath_c, "window");
  const Course found = course_of(night);
  REQUIRE(found.reference.size() == 2);
  CHECK(found.reference[0].at_s == Approx(101));
  CHECK(found.reference[0].value == Approx(15.101).margin(1e-9));
  CHECK(found.reference[1].at_s == Approx(202.5));
  CHECK(found.reference[1].value == Approx(15.2025).margin(1e-9));
}

TEST_CASE("a sweep in which a reference failed gives no point", "[course]") {
  Night night = night_of_two();
  night.sweep(
      "references", 100, {0, 2},
      [](std::size_t channel, double at_s) -> std::optional<double> {
        return channel == 1 ? std::nullopt : warming_bath_c(channel, at_s);
      },
      "watch");
  CHECK(course_of(night).reference.empty());
}

TEST_CASE("the settle window keeps the readings in it and the run's own verdict on them", "[course]") {
  Night night = night_of_two();
  for (int i = 0; i < 10; ++i) night.sweep("references", 100.0 * i, {0, 0}, warming_bath_c, "window");
  night.add("plateau",
            {{"plateau", 0},
             {"setpoint_c", 15.0},
             {"outcome", "not_settled"},
             {"first_sweep", nullptr},
             {"last_sweep", nullptr},
             {"window", {{"from_s", 300.0}, {"to_s", 700.0}, {"mean_c", 15.5}, {"drift_k", 0.6}, {"spread_k", 0.4}}},
             {"why", "out of time"}});
  const Course found = course_of(night);
  REQUIRE(found.plateaus.size() == 1);
  REQUIRE(found.plateaus[0].window);
  CHECK(found.plateaus[0].window->points.size() == 5);
  CHECK(found.plateaus[0].window->drift_k == 0.6);
  CHECK(found.plateaus[0].settle.largest_spread_k == 0.02);
  CHECK(found.plateaus[0].capture.placement == "inside");
  CHECK(found.plateaus[0].settle_limit.otherwise == "capture");
}

TEST_CASE("sources, phases and what happened are kept with their moments", "[course]") {
  Night night = night_of_two();
  night.add("phase", {{"phase", "approach"}, {"plateau", 0}, {"setpoint_c", 15.0}, {"why", "preflight passed"}});
  night.records().back().up = Instant{std::chrono::seconds(30)};
  night.add("command", {{"source", "bath"}, {"target_c", 15.0}, {"output", true}, {"why", "plateau 1"}});
  night.add("person", {{"request", "hold"}, {"who", "ada"}, {"why", "lid open"}});
  night.add(
      "park",
      {{"source", "bath"}, {"cause", "stale"}, {"confirmed", false}, {"untouched", false}, {"text", "no answer"}});
  night.records().back().up = Instant{std::chrono::seconds(90)};
  const Course found = course_of(night);
  REQUIRE(found.phases.size() == 1);
  CHECK(found.phases[0].at_s == 30);
  REQUIRE(found.steps.size() == 2);
  CHECK(found.steps[0].output);
  CHECK_FALSE(found.steps[1].output);  // parked: no setpoint holds any more
  REQUIRE(found.events.size() == 2);
  CHECK(found.events[0].text == "hold by ada: lid open");
  CHECK(found.events[1].text.find("NOT CONFIRMED") != std::string::npos);
  CHECK(found.end_s == 90);
}

TEST_CASE("records behind those that the results rest on are not looked at", "[course]") {
  Night night = night_of_two();
  const Results results = night.results();
  night.sweep("references", 100, {0, 2}, warming_bath_c, "watch");
  const auto found = course(night.records(), results);
  REQUIRE(found);
  CHECK(found->reference.empty());
}

TEST_CASE("a record that lacks what the format says is damage, with its n", "[course]") {
  Night night = night_of_two();
  night.add("command", {{"source", "bath"}, {"output", true}, {"why", ""}});
  const Results results = night.results();
  const auto found = course(night.records(), results);
  REQUIRE_FALSE(found);
  CHECK(found.error().code == Errc::damaged);
  CHECK(found.error().detail.find("target_c") != std::string::npos);
}

TEST_CASE("decimation keeps ends, order and every extreme", "[course]") {
  std::vector<Point> points;
  for (int i = 0; i < 50000; ++i) points.push_back({static_cast<double>(i), std::sin(i / 700.0)});
  points[31234].value = 9;
  points[31235].value = -9;
  const auto few = decimated(points, 4000);
  CHECK(few.size() <= 4000);
  CHECK(few.size() > 2000);
  CHECK(few.front().at_s == 0);
  CHECK(few.back().at_s == 49999);
  CHECK(std::is_sorted(few.begin(), few.end(), [](const Point& a, const Point& b) { return a.at_s < b.at_s; }));
  const auto has = [&](double value) {
    return std::any_of(few.begin(), few.end(), [&](const Point& point) { return point.value == value; });
  };
  CHECK(has(9));
  CHECK(has(-9));
  CHECK(decimated({points.begin(), points.begin() + 10}, 4000).size() == 10);
  // All at one moment, as a clock that stands still would give.
  CHECK(decimated(std::vector<Point>(100, Point{5, 1}), 10).size() <= 10);
}
