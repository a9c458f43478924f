// Registers to temperatures and back. The float's bits: IEEE 754 binary32, 25.5 = 0x41CC0000 (worked by hand: sign 0,
// exponent 131, fraction 0.59375).
#include "modbus/registers.hpp"

#include <catch2/catch.hpp>
#include <cmath>

namespace nightwell::modbus::test {

namespace {

using dialect::NumberType;
using dialect::RegisterNumber;

RegisterNumber number_of(NumberType type, double factor = 1, dialect::Unit unit = dialect::Unit::celsius) {
  RegisterNumber out;
  out.type = type;
  out.factor = factor;
  out.unit = unit;
  return out;
}

}  // namespace

TEST_CASE("Registers hold temperatures in every type, and hold what is written") {
  RegisterNumber number = number_of(NumberType::int16, 0.1);
  CHECK(temperature_in({0xFF06}, number).value() == Approx(-25.0));
  CHECK(words_for(-25.04, number).value() == std::vector<std::uint16_t>{0xFF06});
  CHECK(temperature_in({65'000}, number_of(NumberType::uint16, 0.01)).value() == Approx(650.0));

  number = number_of(NumberType::int32, 0.001);
  CHECK(temperature_in({0xFFFF, 0x9E58}, number).value() == Approx(-25.0));  // -25000
  number.low_word_first = true;
  CHECK(temperature_in({0x9E58, 0xFFFF}, number).value() == Approx(-25.0));
  CHECK(words_for(-25, number).value() == std::vector<std::uint16_t>{0x9E58, 0xFFFF});
  CHECK(temperature_in({0, 1}, number_of(NumberType::uint32, 0.001)).value() == Approx(0.001));

  number = number_of(NumberType::float32);
  CHECK(temperature_in({0x41CC, 0x0000}, number).value() == 25.5);
  CHECK(words_for(25.5, number).value() == std::vector<std::uint16_t>{0x41CC, 0x0000});
  number.low_word_first = true;
  CHECK(temperature_in({0x0000, 0x41CC}, number).value() == 25.5);
}

TEST_CASE("Registers in other units are read and written in °C") {
  const RegisterNumber fahrenheit = number_of(NumberType::int16, 0.1, dialect::Unit::fahrenheit);
  CHECK(temperature_in({770}, fahrenheit).value() == Approx(25.0));
  CHECK(words_for(25, fahrenheit).value() == std::vector<std::uint16_t>{770});
  CHECK(resolution_k(25, fahrenheit) == Approx(0.1 * 5 / 9));
  const RegisterNumber kelvin = number_of(NumberType::uint16, 0.01, dialect::Unit::kelvin);
  CHECK(temperature_in({29'815}, kelvin).value() == Approx(25.0));
  RegisterNumber shifted = number_of(NumberType::uint16, 0.1);
  shifted.offset = -100;
  CHECK(temperature_in({750}, shifted).value() == Approx(-25.0));
  CHECK(words_for(-25, shifted).value() == std::vector<std::uint16_t>{750});
}

TEST_CASE("Registers that hold no number give a condition, never a value") {
  RegisterNumber number = number_of(NumberType::int16, 0.1);
  number.no_number = {{32767, Errc::open_sensor}, {-32768, Errc::overload}};
  CHECK(temperature_in({0x7FFF}, number).error().code == Errc::open_sensor);
  CHECK(temperature_in({0x8000}, number).error().code == Errc::overload);
  CHECK(temperature_in({0x7FFE}, number).ok());
  CHECK(temperature_in({0x8001}, number).error().code == Errc::out_of_range);  // -3276.7 °C
  const RegisterNumber real = number_of(NumberType::float32);
  CHECK(temperature_in({0x7FC0, 0}, real).error().code == Errc::open_sensor);  // NaN
  CHECK(temperature_in({0x7F80, 0}, real).error().code == Errc::overload);     // infinite
  CHECK(temperature_in({0xFF80, 0}, real).error().code == Errc::overload);
  CHECK(temperature_in({0x7F7F, 0xFFFF}, real).error().code == Errc::overload);  // the largest float, beyond 1e30
}

TEST_CASE("What registers cannot hold is not written") {
  const RegisterNumber number = number_of(NumberType::int16, 0.1);
  CHECK(words_for(3276.7, number).ok());
  CHECK_FALSE(words_for(3276.8, number).ok());
  CHECK_FALSE(words_for(-1, number_of(NumberType::uint16)).ok());
  CHECK_FALSE(words_for(std::nan(""), number).ok());
  CHECK_FALSE(words_for(INFINITY, number_of(NumberType::float32)).ok());
}

}  // namespace nightwell::modbus::test
