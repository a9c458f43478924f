// What a sensor refuses, and what it says: beyond its range, not a number, a card with impossible coefficients.
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

#include "sensors.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

namespace {

constexpr double none = std::numeric_limits<double>::quiet_NaN();
constexpr double infinite = std::numeric_limits<double>::infinity();

Errc refused(const SensorModel& model, double raw) {
  return temperature_c(model, raw, 0.0).error().code;
}
Errc refused_t(const SensorModel& model, double t_c) {
  return raw_value(model, t_c, 0.0).error().code;
}

}  // namespace

TEST_CASE("What is no finite number, or an instrument's 9.9E37, is never a temperature") {
  for (const auto& sensor : all_sensors()) {
    for (const double value : {none, infinite, -infinite, 9.9e37, -9.9e37, 1e308, -1e308}) {
      INFO(sensor.name << ", " << value);
      CHECK(refused(sensor.model, value) == Errc::out_of_range);
      CHECK(refused_t(sensor.model, value) == Errc::out_of_range);
    }
  }
}

TEST_CASE("Just past either end of a range is refused, the ends themselves are not") {
  for (const auto& sensor : all_sensors()) {
    const bool transmitter = std::holds_alternative<CurrentTransmitter>(sensor.model);
    const double past_c = transmitter ? 10 : 0.1;
    INFO(sensor.name);
    CHECK(raw_value(sensor.model, sensor.lowest_c, sensor.junction_c).ok());
    CHECK(raw_value(sensor.model, sensor.highest_c, sensor.junction_c).ok());
    CHECK(refused_t(sensor.model, sensor.highest_c + past_c) == Errc::out_of_range);
    const auto* thermocouple = std::get_if<Thermocouple>(&sensor.model);
    if (thermocouple && thermocouple->type == ThermocoupleType::b) continue;  // has its own test
    CHECK(refused_t(sensor.model, sensor.lowest_c - past_c) == Errc::out_of_range);
  }
}

TEST_CASE("An open or shorted resistance sensor reads as out of range") {
  for (const auto& sensor : all_sensors()) {
    if (quantity(sensor.model) != Quantity::resistance) continue;
    INFO(sensor.name);
    CHECK(refused(sensor.model, 0.0) == Errc::out_of_range);
    CHECK(refused(sensor.model, -1.0) == Errc::out_of_range);
    CHECK(refused(sensor.model, 1e9) == Errc::out_of_range);
  }
}

TEST_CASE("A refusal says what was found, the limits in the same unit, and for which sensor") {
  CHECK(temperature_c(Platinum{}, 12.5, {}).error().text() ==
        "platinum thermometer: 12.5 ohm is outside 18.52008 to 390.481125 ohm");
  CHECK(raw_value(Platinum{}, 900, {}).error().text() == "platinum thermometer: 900 °C is outside -200 to 850 °C");
  CHECK(temperature_c(Thermocouple{ThermocoupleType::t, {}}, 0.03, 0.0).error().text() ==
        "thermocouple type T: 30 mV is outside -6.25750504 to 20.8719701 mV");
  CHECK(temperature_c(CurrentTransmitter{-40, 60, 0.004, 0.020}, 0.0217, {}).error().text() ==
        "current transmitter: 21.7 mA is outside 3.8 to 20.5 mA: a fault signal, or the loop is open or shorted");
  CHECK(temperature_c(Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -40, 120}, 10, {}).error().text().find(" ohm") !=
        std::string::npos);
  CHECK(temperature_c(Indicated{}, -300, {}).error().text() ==
        "indicated temperature: -300 °C is outside -273.15 to 3000 °C");
  CHECK(temperature_c(Sprt{25.5, std::nullopt, SprtSubrange{8, {0, 0}}}, 20.0, {}).error().text() ==
        "standard platinum thermometer: 20 ohm is outside 0 to 419.527 °C, where its subranges hold");
}

TEST_CASE("A transmitter measures a little beyond its two ends, as such transmitters do") {
  const SensorModel transmitter = CurrentTransmitter{-40, 60, 0.004, 0.020};
  for (const double current_a : {0.0038, 0.004, 0.012, 0.020, 0.0205}) CHECK(temperature_c(transmitter, current_a, {}));
  for (const double current_a : {0.0, 0.0036, 0.00379, 0.02051, 0.021, 0.022})
    CHECK(refused(transmitter, current_a) == Errc::out_of_range);
}

TEST_CASE("Cards with impossible coefficients are called bad, never turned into a number") {
  const std::vector<SensorModel> cards{
      Platinum{0, 3.9083e-3, -5.775e-7, -4.183e-12},
      Platinum{-100, 3.9083e-3, -5.775e-7, -4.183e-12},
      Platinum{none, 3.9083e-3, -5.775e-7, -4.183e-12},
      Platinum{100, -3.9083e-3, -5.775e-7, -4.183e-12},
      Platinum{100, 3.9083e-3, -5.775e-6, -4.183e-12},  // B ten times too large: R falls above 338 °C
      Platinum{100, none, -5.775e-7, -4.183e-12},
      Thermistor{},
      Thermistor{1e-3, -2e-4, 0, -40, 120},
      Thermistor{1.1e-3, 2.3e-4, 9e-8, 120, -40},
      Thermistor{1.1e-3, 2.3e-4, 9e-8, -300, 120},
      Thermistor{1.1e-3, none, 9e-8, -40, 120},
      ThermistorPolynomial{},
      ThermistorPolynomial{{1e-3}, -40, 120},
      ThermistorPolynomial{{1e-3, -2e-4}, -40, 120},  // rises
      ThermistorPolynomial{{1.1e-3, 2.3e-4, 0, 9e-8}, 120, -40},
      ThermistorPolynomial{{1.1e-3, 2.3e-4, 0, 9e-8}, -300, 120},
      ThermistorPolynomial{{1.1e-3, none, 0, 9e-8}, -40, 120},
      ThermistorPolynomial{{1.1e-3, 2.3e-4, 0, 9e-8, 0, 0, 0}, -40, 120},         // degree 6
      ThermistorPolynomial{{3.1e-3, 2.5e-4, -2.5e-5}, -40, 120},                  // turns at -4.7 °C
      ThermistorPolynomial{{-0.0355125, 0.0144375, -0.0016875, 6.25e-5}, 0, 60},  // falls below and above its turns
      CurrentTransmitter{20, 20, 0.004, 0.020},
      CurrentTransmitter{-40, 60, 0.020, 0.020},
      Sprt{0, std::nullopt, SprtSubrange{8, {0, 0}}},
      Sprt{none, std::nullopt, SprtSubrange{8, {0, 0}}},
      Sprt{25.5, std::nullopt, SprtSubrange{0, {}}},
      Sprt{25.5, std::nullopt, SprtSubrange{-7, {0}}},
      Sprt{25.5, std::nullopt, SprtSubrange{12, {0}}},
      Sprt{25.5, std::nullopt, SprtSubrange{8, {0}}},
      Sprt{25.5, std::nullopt, SprtSubrange{4, {0, 0}}},
      Sprt{25.5, SprtSubrange{8, {0, 0}}, std::nullopt},
  };
  for (std::size_t i = 0; i < cards.size(); ++i) {
    INFO("card " << i);
    CHECK(temperature_c(cards[i], 30.0, {}).error().code == Errc::bad_input);
    CHECK(raw_value(cards[i], 20.0, {}).error().code == Errc::bad_input);
    CHECK(sensitivity_per_k(cards[i], 20.0).error().code == Errc::bad_input);
    (void)span(cards[i]);  // whatever it says, it says something
  }
}

TEST_CASE("Letters of the standard, upper case only") {
  for (const auto type : all_types) CHECK(thermocouple_type(std::string(1, letter(type))) == type);
  for (const char* text : {"", "k", "KK", "X", " K", "D"}) CHECK_FALSE(thermocouple_type(text));
}
