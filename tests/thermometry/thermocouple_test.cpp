// What is particular to thermocouples: the junction, type B's two temperatures, type N's step, deviations.
#include "thermometry/thermocouple.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

#include "sensors.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("With both ends at one temperature there is no voltage, and no voltage means that temperature") {
  for (const auto type : all_types) {
    const SensorModel sensor = Thermocouple{type, {}};
    const double junction_c = type == ThermocoupleType::b ? 60.0 : 23.0;
    INFO(letter(type));
    CHECK(*raw_value(sensor, junction_c, junction_c) == 0.0);
    CHECK(*temperature_c(sensor, 0.0, junction_c) == Approx(junction_c).margin(1e-9));
  }
}

TEST_CASE("The junction is corrected through emf: adding temperatures would be wrong by kelvins") {
  const SensorModel sensor = Thermocouple{ThermocoupleType::s, {}};
  const double raw = *raw_value(sensor, 1000.0, 25.0);
  CHECK(*temperature_c(sensor, raw, 25.0) == Approx(1000.0).margin(1e-9));
  const double added_c = *temperature_c(sensor, raw, 0.0) + 25.0;
  CHECK(std::abs(added_c - 1000.0) > 5);
}

TEST_CASE("Without a junction, or with one outside the type's range, there is no temperature") {
  const SensorModel sensor = Thermocouple{ThermocoupleType::c, {}};
  CHECK(temperature_c(sensor, 0.01, {}).error().code == Errc::bad_input);
  CHECK(raw_value(sensor, 500, {}).error().code == Errc::bad_input);
  const auto cold = temperature_c(sensor, 0.01, -5.0);
  CHECK(cold.error().code == Errc::out_of_range);
  CHECK(cold.error().text() == "reference junction of thermocouple type C: -5 °C is outside 0 to 2315 °C");
  CHECK(temperature_c(sensor, 0.01, std::nan("")).error().code == Errc::out_of_range);
}

TEST_CASE("Type B: below its minimum no temperature, between there and zero emf two, above one") {
  const SensorModel sensor = Thermocouple{ThermocoupleType::b, {}};
  CHECK(span(sensor).low_c == Approx(21.0202618848));
  CHECK(temperature_c(sensor, -2.59e-6, 0.0).error().code == Errc::out_of_range);
  for (const double emf_v : {-2.58e-6, -1e-6, -1e-9, 0.0})
    CHECK(temperature_c(sensor, emf_v, 0.0).error().code == Errc::ambiguous);
  CHECK(*temperature_c(sensor, 1e-9, 0.0) == Approx(42.136).margin(0.01));
  // It makes the voltage that it makes: forwards there is one answer everywhere.
  CHECK(*raw_value(sensor, 10.0, 0.0) == Approx(-1.8759879165771e-6).epsilon(1e-10));
  // A junction at room temperature hardly matters: what this type is used for.
  CHECK(std::abs(*raw_value(sensor, 1500.0, 20.0) - *raw_value(sensor, 1500.0, 0.0)) < 3e-6);
}

TEST_CASE("The emf rises strictly over the whole invertible range, and by its Seebeck coefficient") {
  constexpr double step_c = 1e-3;
  const auto near_a_join = [](double t_c) {  // where a slope may step, and the function by a few microkelvins
    for (const double join_c : {0.0, 630.615, 760.0, 1064.18, 1664.5})
      if (std::abs(t_c - join_c) <= step_c) return true;
    return false;
  };
  std::mt19937_64 random(20261125);
  for (const auto type : all_types) {
    const TemperatureSpan range = rising_span(type);
    std::uniform_real_distribution<double> anywhere(range.low_c, range.high_c);
    std::vector<double> grid_c{range.low_c, range.high_c};
    for (int i = 0; i < 20000; ++i) grid_c.push_back(anywhere(random));
    std::sort(grid_c.begin(), grid_c.end());
    for (std::size_t i = 0; i < grid_c.size(); ++i) {
      const double t_c = grid_c[i];
      INFO("type " << letter(type) << " at " << t_c << " °C");
      if (i > 0 && t_c > grid_c[i - 1]) REQUIRE(*emf_v(type, t_c) > *emf_v(type, grid_c[i - 1]));
      if (t_c - step_c < range.low_c || t_c + step_c > range.high_c) continue;
      const double seebeck = *seebeck_v_per_k(type, t_c);
      REQUIRE(seebeck > 0);
      if (near_a_join(t_c)) continue;
      const double quotient = (*emf_v(type, t_c + step_c) - *emf_v(type, t_c - step_c)) / (2 * step_c);
      REQUIRE(std::abs(seebeck - quotient) <= 1e-6 * seebeck + 1e-13);
    }
  }
}

TEST_CASE("Type B alone does not rise everywhere: below its minimum its emf falls") {
  const double minimum_c = rising_span(ThermocoupleType::b).low_c;
  CHECK(minimum_c == Approx(21.02).margin(0.005));
  for (const auto type : all_types)
    CHECK((rising_span(type).low_c == reference_span(type).low_c) == (type != ThermocoupleType::b));
  std::mt19937_64 random(20261126);
  std::uniform_real_distribution<double> below(0, minimum_c);
  std::vector<double> grid_c{0, minimum_c};
  for (int i = 0; i < 2000; ++i) grid_c.push_back(below(random));
  std::sort(grid_c.begin(), grid_c.end());
  for (std::size_t i = 1; i < grid_c.size(); ++i) {
    INFO(grid_c[i] << " °C");
    REQUIRE(*emf_v(ThermocoupleType::b, grid_c[i]) < *emf_v(ThermocoupleType::b, grid_c[i - 1]));
    if (grid_c[i] < minimum_c) REQUIRE(*seebeck_v_per_k(ThermocoupleType::b, grid_c[i]) < 0);
  }
}

TEST_CASE("Type N has its slope step at 0 °C and no step in emf") {
  const double below = *seebeck_v_per_k(ThermocoupleType::n, -1e-9),
               above = *seebeck_v_per_k(ThermocoupleType::n, 1e-9);
  CHECK(below * 1e6 == Approx(26.15910596).epsilon(1e-9));
  CHECK(above * 1e6 == Approx(25.9293946).epsilon(1e-8));
  CHECK(*seebeck_v_per_k(ThermocoupleType::n, 0.0) == Approx(below).epsilon(1e-9));
  CHECK(*emf_v(ThermocoupleType::n, 0.0) == 0.0);
}

TEST_CASE("Type K has its exponential above 0 °C only") {
  CHECK(*emf_v(ThermocoupleType::k, 0.0) == 0.0);
  CHECK(std::abs(*emf_v(ThermocoupleType::k, 1e-12)) < 3e-12);  // the published step of 2e-6 uV
}

TEST_CASE("A deviation in microvolt moves the emf by just that, and the junction's too") {
  const std::vector<double> deviation_uv{2.0, 0.05, -1e-5};
  const auto of = [&](double t) { return 2.0 + 0.05 * t - 1e-5 * t * t; };
  const SensorModel plain = Thermocouple{ThermocoupleType::t, {}};
  const SensorModel sensor = Thermocouple{ThermocoupleType::t, deviation_uv};
  for (const double t_c : {-196.0, -40.0, 0.0, 37.0, 300.0}) {
    const double moved_uv = (*raw_value(sensor, t_c, 22.0) - *raw_value(plain, t_c, 22.0)) * 1e6;
    CHECK(moved_uv == Approx(of(t_c) - of(22.0)).margin(1e-9));
    CHECK(*sensitivity_per_k(sensor, t_c) - *sensitivity_per_k(plain, t_c) ==
          Approx((0.05 - 2e-5 * t_c) * 1e-6).margin(1e-15));
  }
}

TEST_CASE("A deviation that makes the emf fall has no inverse, and says so") {
  const SensorModel falling = Thermocouple{ThermocoupleType::k, {0.0, -200.0}};
  CHECK_FALSE(temperature_c(falling, 0.01, 0.0));
  // Falls only in the middle: 40 uV/K meet a slope of -60 uV/K around 500 °C.
  const SensorModel bent = Thermocouple{ThermocoupleType::k, {0.0, 60.0, -0.24, 1.6e-4}};
  const auto raw = raw_value(bent, 500.0, 0.0);
  REQUIRE(raw.ok());
  REQUIRE(*sensitivity_per_k(bent, 500.0) < 0);
  const auto back = temperature_c(bent, *raw, 0.0);
  if (back)
    CHECK(*raw_value(bent, *back, 0.0) == Approx(*raw).epsilon(1e-9));
  else
    CHECK(back.error().code == Errc::bad_input);
}

TEST_CASE("No emf with the junction at 0 °C is 0 °C, exactly, where pieces of the reference function meet") {
  for (const auto type : {ThermocoupleType::e, ThermocoupleType::j, ThermocoupleType::k, ThermocoupleType::n,
                          ThermocoupleType::r, ThermocoupleType::s, ThermocoupleType::t}) {
    INFO(letter(type));
    CHECK(std::abs(*temperature_c(Thermocouple{type, {}}, 0.0, 0.0)) < 1e-12);
  }
}
