// Amounts as people write them, unit conversions both ways, and numbers as they are printed.
#include "cli/amount.hpp"

#include <catch2/catch.hpp>
#include <limits>

#include "support/text.hpp"

using namespace nightwell::cli;
using nightwell::Errc;
using nightwell::Quantity;
using nightwell::tests::holds;

namespace {

double base_of(const std::string& text) {
  const auto amount = parse_amount(text);
  INFO(text);
  REQUIRE(amount.ok());
  return amount->base();
}

std::string refusal(const std::string& text) {
  const auto amount = parse_amount(text);
  INFO(text);
  REQUIRE_FALSE(amount.ok());
  CHECK(amount.error().code == Errc::bad_input);
  return amount.error().text();
}

}  // namespace

// 0 °C = 273.15 K = 32 °F, 100 °C = 212 °F, -40 °C = -40 °F, 0 K = -459.67 °F: the definitions of the scales (SI brochure;
// NIST SP 811, B.8).
TEST_CASE("amount: each unit, to its quantity's own unit and back") {
  CHECK(base_of("100C") == 100);
  CHECK(base_of("273.15K") == 0);
  CHECK(base_of("0K") == -273.15);
  CHECK(base_of("32F") == 0);
  CHECK(base_of("212F") == Approx(100).epsilon(1e-15));
  CHECK(base_of("-40F") == Approx(-40).epsilon(1e-15));
  CHECK(base_of("-459.67F") == Approx(-273.15).epsilon(1e-15));
  CHECK(base_of("4096.2uV") == Approx(4.0962e-3).epsilon(1e-15));
  CHECK(base_of("4.0962mV") == Approx(4.0962e-3).epsilon(1e-15));
  CHECK(base_of("4.0962e-3V") == 4.0962e-3);
  CHECK(base_of("138.5055ohm") == 138.5055);
  CHECK(base_of("1.385055kohm") == Approx(1385.055).epsilon(1e-15));
  CHECK(base_of("12mA") == Approx(0.012).epsilon(1e-15));
  CHECK(base_of("0.012A") == 0.012);
  for (const char* name : {"C", "K", "F", "uV", "mV", "V", "ohm", "kohm", "mA", "A"}) {
    const auto unit = unit_named(name);
    INFO(name);
    REQUIRE(unit);
    CHECK(unit->from_base(unit->to_base(7.25)) == Approx(7.25).epsilon(1e-13));
  }
  CHECK(unit_named("F")->from_base(100) == Approx(212).epsilon(1e-15));
  CHECK(unit_named("K")->from_base(-273.15) == 0);
  CHECK(unit_named("uV")->from_base(4.0962e-3) == Approx(4096.2).epsilon(1e-15));
  CHECK(unit_named("kohm")->from_base(1385.055) == Approx(1.385055).epsilon(1e-15));
}

TEST_CASE("amount: signs and exponents") {
  CHECK(base_of("-20C") == -20);
  CHECK(base_of("+20C") == 20);
  CHECK(base_of("-.5C") == -0.5);
  CHECK(base_of("1e2C") == 100);
  CHECK(base_of("1E2C") == 100);
  CHECK(parse_amount("100K")->unit.name == "K");
}

TEST_CASE("amount: what is none is refused, and why") {
  const std::string units = "C, K, F, uV, mV, V, ohm, kohm, mA or A";
  CHECK(holds(refusal("100"), "\"100\": there is no unit; write one behind the number: " + units));
  CHECK(holds(refusal("100c"), "\"c\" is not a unit; the units are " + units));
  CHECK(holds(refusal("100°C"), "\"°C\" is not a unit"));
  CHECK(holds(refusal("100CC"), "\"CC\" is not a unit"));
  CHECK(holds(refusal("100C "), "\"C \" is not a unit"));
  CHECK(holds(refusal("100 C"), "no blank"));
  CHECK(holds(refusal("20,5C"), "the decimal sign is a point"));
  for (const char* text : {"", "C", "warm", "+", "-C", "+-3C", "--3C", "+C", " 3C", "0x"})
    CHECK_FALSE(parse_amount(text).ok());
  CHECK(holds(refusal("warm"), "does not begin with a number"));
  CHECK(holds(refusal("nan"), "not a finite number"));
  CHECK(holds(refusal("nanC"), "not a finite number"));
  CHECK(holds(refusal("-infC"), "not a finite number"));
  CHECK(holds(refusal("1e999C"), "not a finite number"));
  CHECK(refusal(std::string(100'000, 'x')).size() < 300);
}

TEST_CASE("amount: the units of a quantity, and the usual one") {
  CHECK(unit_names(Quantity::temperature) == "C, K or F");
  CHECK(unit_names(Quantity::voltage) == "uV, mV or V");
  CHECK(unit_names(Quantity::resistance) == "ohm or kohm");
  CHECK(unit_names(Quantity::current) == "mA or A");
  CHECK(usual_unit(Quantity::temperature).name == "C");
  CHECK(usual_unit(Quantity::voltage).name == "mV");
  CHECK(usual_unit(Quantity::resistance).name == "ohm");
  CHECK(usual_unit(Quantity::current).name == "mA");
}

TEST_CASE("amount: numbers are short, and never a negative zero") {
  CHECK(significant(100.0000000000001, 12) == "100");
  CHECK(significant(138.5055, 12) == "138.5055");
  CHECK(significant(-1.0 / 3, 12) == "-0.333333333333");
  CHECK(significant(-1.0 / 3, 6) == "-0.333333");
  CHECK(significant(-0.0, 12) == "0");
  CHECK(significant(-1.5e-7, 12) == "-1.5e-07");
}
