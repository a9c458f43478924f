// There and back for every kind of sensor: t90 -> raw -> t90 within 1e-9 °C, both ends of the range included.
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "sensors.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

namespace {

constexpr double close_c = 1e-9;

// Where the reference functions themselves step, so that some temperatures have two emfs or none.
bool near_a_join(const SensorModel& model, double t_c) {
  if (std::holds_alternative<Sprt>(model)) return std::abs(t_c) < 0.02;
  if (!std::holds_alternative<Thermocouple>(model)) return false;
  for (const double join_c : {0.0, 630.615, 760.0, 1064.18, 1664.5})
    if (std::abs(t_c - join_c) < 1e-4) return true;
  return false;
}

// Two neighbouring doubles of the raw value may be further apart in temperature than the bound: near -270 °C, where a
// thermocouple gives less than a microvolt a kelvin, and for a resistance behind a subtraction.
double last_bits_c(const NamedSensor& sensor, double t_c, double raw) {
  const double slope = std::abs(*sensitivity_per_k(sensor.model, t_c));
  return 4 * (std::nextafter(std::abs(raw), HUGE_VAL) - std::abs(raw)) / slope;
}

void check_round_trip(const NamedSensor& sensor, double t_c) {
  const auto raw = raw_value(sensor.model, t_c, sensor.junction_c);
  REQUIRE(raw.ok());
  const auto back = temperature_c(sensor.model, *raw, sensor.junction_c);
  REQUIRE(back.ok());
  const double allowed_c = near_a_join(sensor.model, t_c) ? 1e-5 : close_c + last_bits_c(sensor, t_c, *raw);
  REQUIRE(std::abs(*back - t_c) <= allowed_c);
}

}  // namespace

TEST_CASE("Every sensor, over its range in even steps and at both ends") {
  for (const auto& sensor : all_sensors()) {
    for (int i = 0; i <= 2000; ++i) {
      const double t_c =
          i == 2000 ? sensor.highest_c : sensor.lowest_c + (sensor.highest_c - sensor.lowest_c) * i / 2000;
      INFO(sensor.name << " at " << t_c << " °C");
      check_round_trip(sensor, t_c);
    }
  }
}

TEST_CASE("Every sensor, at temperatures drawn at random from a fixed seed") {
  std::mt19937_64 random(20260301);
  for (const auto& sensor : all_sensors()) {
    std::uniform_real_distribution<double> anywhere(sensor.lowest_c, sensor.highest_c);
    for (int i = 0; i < 2000; ++i) {
      const double t_c = anywhere(random);
      INFO(sensor.name << " at " << t_c << " °C");
      check_round_trip(sensor, t_c);
    }
  }
}

TEST_CASE("Around every join of two pieces: no jump beyond the published step") {
  for (const auto& sensor : all_sensors()) {
    for (const double join_c : {0.0, 0.01, 630.615, 760.0, 1064.18, 1664.5}) {
      for (const double past_c : {-1e-3, -1e-5, -1e-9, 0.0, 1e-9, 1e-5, 1e-3}) {
        const double t_c = join_c + past_c;
        if (t_c < sensor.lowest_c || t_c > sensor.highest_c) continue;
        INFO(sensor.name << " at " << join_c << " + " << past_c << " °C");
        check_round_trip(sensor, t_c);
      }
    }
  }
}

TEST_CASE("A higher temperature never gives a value on the wrong side") {
  for (const auto& sensor : all_sensors()) {
    const bool rises = *raw_value(sensor.model, sensor.lowest_c, sensor.junction_c) <
                       *raw_value(sensor.model, sensor.highest_c, sensor.junction_c);
    double before = *raw_value(sensor.model, sensor.lowest_c, sensor.junction_c);
    for (int i = 1; i <= 1000; ++i) {
      const double t_c = std::min(sensor.highest_c, sensor.lowest_c + (sensor.highest_c - sensor.lowest_c) * i / 1000);
      const double now = *raw_value(sensor.model, t_c, sensor.junction_c);
      INFO(sensor.name << " at " << t_c << " °C");
      REQUIRE((now > before) == rises);
      before = now;
    }
  }
}
