// Steinhart–Hart and the polynomial in ln R against public examples (data/README.md), and the straight line of a current
// transmitter.
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

namespace {

std::vector<double> published_numbers(const nlohmann::json& list) {
  std::vector<double> out;
  for (const auto& one : list) out.push_back(number(one.get<std::string>()));
  return out;
}

}  // namespace

TEST_CASE("Steinhart–Hart is the polynomial in ln R without its square") {
  const auto example = json_file("thermistor_examples.json")["steinhart_hart_3point"];
  const auto c = [&](const char* key) { return number(example[key].get<std::string>()); };
  const SensorModel polynomial = ThermistorPolynomial{{c("A"), c("B"), 0, c("C")}, -20, 80};
  for (const auto& point : example["points_C_ohm"]) {
    CHECK(*temperature_c(polynomial, point[1], std::nullopt) == Approx(point[0].get<double>()).margin(2e-5));
    CHECK(*raw_value(polynomial, point[0], std::nullopt) == Approx(point[1].get<double>()).epsilon(1e-6));
  }
}

TEST_CASE("A polynomial in ln R: resistances derived in 60 digits, both ways") {
  const auto example = json_file("thermistor_examples.json")["polynomial_in_ln_r"];
  const auto check = [](const nlohmann::json& one, double low_c, double high_c) {
    const SensorModel sensor = ThermistorPolynomial{published_numbers(one["coefficients"]), low_c, high_c};
    for (const auto& point : one["points_C_ohm"]) {
      const double t_c = point[0], r_ohm = number(point[1].get<std::string>());
      INFO(t_c << " °C");
      CHECK(*raw_value(sensor, t_c, std::nullopt) == Approx(r_ohm).epsilon(1e-13));
      CHECK(*temperature_c(sensor, r_ohm, std::nullopt) == Approx(t_c).margin(1e-10));
    }
  };
  check(example, -40, 125);
  check(example["degree_5_made_up"], -30, 110);
  // By its definition the nominal curve has 10 kohm at 25 °C; from memory, its table has 332094 ohm at -40 °C.
  const SensorModel nominal = ThermistorPolynomial{published_numbers(example["coefficients"]), -40, 125};
  CHECK(*temperature_c(nominal, 10000, std::nullopt) == Approx(25).margin(1e-4));
  CHECK(*raw_value(nominal, -40, std::nullopt) == Approx(332094).margin(1));
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
