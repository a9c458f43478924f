// Platinum thermometers against the IEC 60751 table and a national institute's example (data/README.md).
#include <cmath>

#include "nightwell/thermometry/sensor.hpp"
#include "published.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("Every value of the IEC 60751 table, both ways") {
  const SensorModel pt100 = Platinum{};
  for (const auto& row : csv("pt100_table.csv")) {
    const double t_c = number(row[0]);
    INFO(row[0] << " °C");
    CHECK(std::abs(*raw_value(pt100, t_c, std::nullopt) - number(row[1])) <= 0.005 + 1e-9);
    CHECK(*raw_value(pt100, t_c, std::nullopt) == Approx(number(row[2])).margin(6e-9));
    CHECK(*sensitivity_per_k(pt100, t_c) == Approx(number(row[3])).margin(6e-9));
    CHECK(*temperature_c(pt100, *raw_value(pt100, t_c, std::nullopt), std::nullopt) == Approx(t_c).margin(1e-9));
  }
}

TEST_CASE("A calibrated thermometer with its own coefficients: the national institute's figures") {
  const auto example = json_file("prt_cvd_example.json");
  const auto coefficient = [&](const char* key) { return number(example[key].get<std::string>()); };
  const SensorModel probe = Platinum{example["R0"], coefficient("A"), coefficient("B"), coefficient("C")};
  for (const auto& point : example["forward"])
    CHECK(*raw_value(probe, point[0], std::nullopt) == Approx(point[1].get<double>()).epsilon(1e-10));
  for (const auto& point : example["inverse"])
    CHECK(*temperature_c(probe, point[0], std::nullopt) == Approx(point[1].get<double>()).margin(6e-9));
}

TEST_CASE("Resistances that no platinum thermometer has") {
  const SensorModel pt100 = Platinum{};
  CHECK(temperature_c(pt100, 17.0, std::nullopt).error().code == Errc::out_of_range);
  CHECK(temperature_c(pt100, 1097.0, std::nullopt).error().code == Errc::out_of_range);
  CHECK(temperature_c(pt100, -5.0, std::nullopt).error().code == Errc::out_of_range);
}
