// Steinhart–Hart against a widely reproduced example (data/README.md), and the straight line of a current transmitter.
#include "nightwell/thermometry/sensor.hpp"
#include "published.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("The three points that give the published coefficients come back") {
  const auto example = json_file("thermistor_examples.json")["steinhart_hart_3point"];
  const auto c = [&](const char* key) { return number(example[key].get<std::string>()); };
  const SensorModel thermistor = Thermistor{c("A"), c("B"), c("C"), -20, 80};
  for (const auto& point : example["points_C_ohm"]) {
    CHECK(*temperature_c(thermistor, point[1], std::nullopt) == Approx(point[0].get<double>()).margin(2e-5));
    CHECK(*raw_value(thermistor, point[0], std::nullopt) == Approx(point[1].get<double>()).epsilon(1e-6));
  }
  for (double t_c = -20; t_c <= 80; t_c += 0.5)
    CHECK(*temperature_c(thermistor, *raw_value(thermistor, t_c, std::nullopt), std::nullopt) ==
          Approx(t_c).margin(1e-9));
  CHECK(temperature_c(thermistor, -1, std::nullopt).error().code == Errc::out_of_range);
  CHECK(temperature_c(thermistor, 1, std::nullopt).error().code == Errc::out_of_range);
}

TEST_CASE("A 4–20 mA transmitter is a line, and a current beyond it a fault") {
  const SensorModel transmitter = CurrentTransmitter{-50, 150, 0.004, 0.020};
  CHECK(*temperature_c(transmitter, 0.004, std::nullopt) == Approx(-50));
  CHECK(*temperature_c(transmitter, 0.012, std::nullopt) == Approx(50));
  CHECK(*temperature_c(transmitter, 0.020, std::nullopt) == Approx(150));
  CHECK(*temperature_c(transmitter, 0.0039, std::nullopt) == Approx(-51.25));
  CHECK(temperature_c(transmitter, 0.0036, std::nullopt).error().code == Errc::out_of_range);
  CHECK(temperature_c(transmitter, 0.0215, std::nullopt).error().code == Errc::out_of_range);
  CHECK(*raw_value(transmitter, 50, std::nullopt) == Approx(0.012));
  CHECK(*sensitivity_per_k(transmitter, 0) == Approx(8e-5));
}
