// Thermocouples against the NIST SRD 60 tables and points derived in 40-digit arithmetic (data/README.md).
#include "thermometry/thermocouple.hpp"

#include <cmath>

#include "nightwell/thermometry/sensor.hpp"
#include "published.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("Every value of the NIST SRD 60 tables, to the table's rounding") {
  int rows = 0;
  for (const auto& row : csv("tc_emf_table.csv")) {
    const auto emf = emf_v(*thermocouple_type(row[0]), number(row[1]));
    INFO("type " << row[0] << " at " << row[1] << " °C");
    REQUIRE(emf.ok());
    // Half a unit of the last digit, and the binary noise of the half.
    REQUIRE(std::abs(*emf * 1e3 - number(row[2])) <= 0.0005 + 1e-9);
    ++rows;
  }
  CHECK(rows == 8016);
}

TEST_CASE("Points derived in 40-digit arithmetic: emf and Seebeck coefficient") {
  for (const auto& row : csv("tc_derived_points.csv")) {
    const auto type = *thermocouple_type(row[0]);
    const double t_c = number(row[1]);
    INFO("type " << row[0] << " at " << row[1] << " °C");
    const auto emf = emf_v(type, t_c);
    REQUIRE(emf.ok());
    CHECK(std::abs(*emf * 1e3 - number(row[2])) < 1e-9);
    // Where two pieces join, the slope of one side stands in the file.
    CHECK(std::abs(*seebeck_v_per_k(type, t_c) * 1e6 - number(row[3])) < 2e-6);
  }
}

TEST_CASE("The inverse solves the reference function: round trip within 1e-9 °C") {
  for (const char* name : {"A", "C", "E", "J", "K", "N", "R", "S", "T", "B"}) {
    const auto type = *thermocouple_type(name);
    const auto range = span(SensorModel{Thermocouple{type, {}}});
    const double low_c = type == ThermocoupleType::b ? 50 : range.low_c;
    for (int i = 0; i <= 5000; ++i) {
      const double t_c = std::min(range.high_c, low_c + (range.high_c - low_c) * i / 5000);
      const auto back = emf_temperature_c(type, *emf_v(type, t_c));
      INFO("type " << name << " at " << t_c << " °C");
      REQUIRE(back.ok());
      // Where the emf hardly changes with temperature, a double holds no more digits than this.
      const double last_bit_c = 4e-19 * 1e3 / std::abs(*seebeck_v_per_k(type, t_c) * 1e3);
      REQUIRE(std::abs(*back - t_c) <= 1e-9 + last_bit_c);
    }
  }
}

TEST_CASE("Type K examples of a public library's documentation") {
  // NaniteWikipedia/thermocouples_reference_devel, README: K, 42 °C and slope at 687 °C; 1.1 mV with the junction at 23 °C.
  const SensorModel k = Thermocouple{ThermocoupleType::k, {}};
  CHECK(*raw_value(k, 42, 0.0) * 1e3 == Approx(1.6938477049901).epsilon(1e-13));
  CHECK(*sensitivity_per_k(k, 687) * 1e6 == Approx(41.998176).epsilon(1e-7));
  CHECK(*temperature_c(k, 1.1e-3, 23.0) == Approx(49.907928030).epsilon(1e-11));
}

TEST_CASE("Type B: ambiguous below 42 °C, out of range below its minimum") {
  const SensorModel b = Thermocouple{ThermocoupleType::b, {}};
  CHECK(temperature_c(b, -1e-6, 0.0).error().code == Errc::ambiguous);
  CHECK(temperature_c(b, -3e-6, 0.0).error().code == Errc::out_of_range);
  CHECK(*temperature_c(b, 1e-6, 0.0) == Approx(45.9).margin(0.5));
  CHECK(span(b).low_c == Approx(21.02026));
}

TEST_CASE("Beyond its range a thermocouple has no temperature, and without a junction none either") {
  const SensorModel t = Thermocouple{ThermocoupleType::t, {}};
  CHECK(raw_value(t, 401, 0.0).error().code == Errc::out_of_range);
  CHECK(raw_value(t, -271, 0.0).error().code == Errc::out_of_range);
  CHECK(temperature_c(t, 0.021, 0.0).error().code == Errc::out_of_range);
  CHECK(temperature_c(t, std::nan(""), 0.0).error().code == Errc::out_of_range);
  CHECK(temperature_c(t, 0.001, std::nullopt).error().code == Errc::bad_input);
}

TEST_CASE("The junction is corrected through emf, and a deviation polynomial goes both ways") {
  const SensorModel sensor = Thermocouple{ThermocoupleType::n, {1.5, 0.02, -1e-5}};
  for (const double t_c : {-150.0, -1.0, 0.0, 0.5, 300.0, 1250.0}) {
    const auto raw = raw_value(sensor, t_c, 23.4);
    REQUIRE(raw.ok());
    CHECK(*temperature_c(sensor, *raw, 23.4) == Approx(t_c).margin(1e-9));
  }
}
