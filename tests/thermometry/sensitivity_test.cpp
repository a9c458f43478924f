// The sensitivity is the slope of the raw value: against a difference quotient, for every kind of sensor.
#include <catch2/catch.hpp>
#include <cmath>

#include "sensors.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("d raw / dt agrees with a difference quotient") {
  constexpr double step_c = 1e-3;
  for (const auto& sensor : all_sensors()) {
    for (int i = 1; i < 200; ++i) {
      const double t_c = sensor.lowest_c + (sensor.highest_c - sensor.lowest_c) * i / 200;
      const double low = *raw_value(sensor.model, t_c - step_c, sensor.junction_c);
      const double high = *raw_value(sensor.model, t_c + step_c, sensor.junction_c);
      const auto slope = sensitivity_per_k(sensor.model, t_c);
      INFO(sensor.name << " at " << t_c << " °C");
      REQUIRE(slope.ok());
      REQUIRE(*slope == Approx((high - low) / (2 * step_c)).epsilon(1e-5));
    }
  }
}

TEST_CASE("A sensitivity is refused where the sensor has no value") {
  for (const auto& sensor : all_sensors()) {
    INFO(sensor.name);
    CHECK(sensitivity_per_k(sensor.model, 5000).error().code == Errc::out_of_range);
    CHECK(sensitivity_per_k(sensor.model, std::nan("")).error().code == Errc::out_of_range);
  }
}
