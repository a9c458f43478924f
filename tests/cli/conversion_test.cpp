// The calculator, against published values. What each function does over its whole range: tests/published.
#include "cli/conversion.hpp"

#include <catch2/catch.hpp>
#include <charconv>
#include <nlohmann/json.hpp>

#include "support/text.hpp"

using namespace nightwell::cli;
using nightwell::Errc;
using nightwell::tests::holds;
using nightwell::thermometry::CurrentTransmitter;
using nightwell::thermometry::Indicated;

namespace {

Sensor named(const std::string& name) {
  const auto sensor = sensor_named(name);
  INFO(name);
  REQUIRE(sensor);
  return *sensor;
}

Asked with_junction_at(double t_c) {
  Asked out;
  out.junction_c = t_c;
  return out;
}

Asked in(const char* unit) {
  Asked out;
  out.to = unit_named(unit);
  REQUIRE(out.to);
  return out;
}

Converted answer(const Sensor& sensor, const char* amount, const Asked& asked = {}) {
  const auto found = convert(sensor, *parse_amount(amount), asked);
  INFO(amount << (found ? "" : ": " + found.error().text()));
  REQUIRE(found.ok());
  return *found;
}

nightwell::Error failure(const Sensor& sensor, const char* amount, const Asked& asked = {}) {
  const auto found = convert(sensor, *parse_amount(amount), asked);
  INFO(amount);
  REQUIRE_FALSE(found.ok());
  return found.error();
}

double number(const std::string& text) {
  double value = 0;
  const auto end = std::from_chars(text.data(), text.data() + text.size(), value).ptr;
  REQUIRE(end == text.data() + text.size());
  return value;
}

}  // namespace

// NIST SRD 60 (NIST Monograph 175; the functions of IEC 60584-1): type K, 4.096 mV at 100 °C and 1.000 mV at 25 °C, a table
// in steps of 1 uV.
TEST_CASE("convert: type K as in its table, both ways") {
  const Converted emf = answer(named("K"), "100C");
  CHECK(number(emf.value) == Approx(4.096).margin(0.0005));
  CHECK(emf.value.substr(0, 6) == "4.0962");
  CHECK(emf.unit == "mV");
  // The next row of the same table: 4.138 mV at 101 °C.
  CHECK(number(emf.sensitivity) == Approx(4.138 - 4.096).margin(0.001));
  CHECK(emf.sensitivity_unit == "mV/K");
  const Converted t = answer(named("K"), "4.0962mV");
  CHECK(number(t.value) == Approx(100).margin(0.00125));  // half of the last digit, 0.05 uV, at 41 uV/K
  CHECK(t.unit == "C");
  CHECK(t.sensitivity_unit == "mV/K");
  CHECK(answer(named("K"), "4096.2uV").sensitivity_unit == "uV/K");
}

TEST_CASE("convert: the junction counts through its emf") {
  // 4.096 mV - 1.000 mV. Adding temperatures would give 25 °C and the 76 °C of 3.096 mV: a kelvin too much.
  const Converted t = answer(named("K"), "3.096mV", with_junction_at(25));
  CHECK(number(t.value) == Approx(100).margin(0.025));  // twice 0.5 uV at 41 uV/K
  const Converted emf = answer(named("K"), "100C", with_junction_at(25));
  CHECK(number(emf.value) == Approx(3.096).margin(0.001));
  CHECK(answer(named("K"), "100C").value == answer(named("K"), "100C", with_junction_at(0)).value);
  CHECK(answer(named("K"), "25C", with_junction_at(25)).value == "0");
  CHECK(answer(named("K"), "73.4F", with_junction_at(23)).value == "0");
}

// IEC 60751:2022: R = R0 (1 + A t + B t²), A = 3.9083e-3, B = -5.775e-7: 138.5055 ohm at 100 °C (138.51 in its table);
// 18.52 ohm at -200 °C in its table.
TEST_CASE("convert: Pt100 and Pt1000 as in their standard, both ways") {
  const Converted t = answer(named("pt100"), "138.5055ohm");
  CHECK(t.value == "100");
  CHECK(t.unit == "C");
  CHECK(t.sensitivity == "0.37928");  // 100 (A + 200 B)
  CHECK(t.sensitivity_unit == "ohm/K");
  CHECK(answer(named("pt100"), "100C").value == "138.5055");
  CHECK(number(answer(named("Pt100"), "-200C").value) == Approx(18.52).margin(0.005));
  CHECK(answer(named("PT1000"), "1.385055kohm").value == "100");
  CHECK(answer(named("PT1000"), "1.385055kohm").sensitivity_unit == "kohm/K");
  CHECK(answer(named("pt1000"), "100C", in("kohm")).value == "1.385055");
  CHECK(answer(named("pt1000"), "0C").value == "1000");
}

TEST_CASE("convert: the answer's unit where there is a choice") {
  CHECK(answer(named("pt100"), "138.5055ohm", in("K")).value == "373.15");
  CHECK(answer(named("pt100"), "138.5055ohm", in("F")).value == "212");
  CHECK(answer(named("pt100"), "212F").value == "138.5055");
  CHECK(answer(named("pt100"), "373.15K").value == "138.5055");
  CHECK(answer(named("pt100"), "100ohm").value == "0");
  CHECK(answer(named("pt100"), "100ohm", in("F")).value == "32");
  const Converted microvolts = answer(named("K"), "100C", in("uV"));
  CHECK(number(microvolts.value) == Approx(4096).margin(0.5));
  CHECK(microvolts.sensitivity_unit == "uV/K");
  CHECK(number(microvolts.sensitivity) == Approx(42).margin(1));
  CHECK(number(answer(named("K"), "100C", in("V")).value) == Approx(4.096e-3).margin(0.5e-6));
}

TEST_CASE("convert: there and back, to a few nanokelvins") {
  for (const char* name : {"A", "B", "C", "E", "J", "K", "N", "R", "S", "T", "pt100", "pt1000"}) {
    const Converted raw = answer(named(name), "123.456C");
    INFO(name << " " << raw.value);
    const std::string text = raw.value + raw.unit;
    CHECK(number(answer(named(name), text.c_str()).value) == Approx(123.456).margin(2e-9));
  }
}

TEST_CASE("convert: sensors that only a card describes") {
  // 4 mA at 0 °C and 20 mA at 100 °C: half way is 12 mA.
  const Sensor transmitter{CurrentTransmitter{}, "sensor X", {{0, 60}}};
  CHECK(answer(transmitter, "50C").value == "12");
  CHECK(answer(transmitter, "50C").unit == "mA");
  CHECK(answer(transmitter, "0.012A").value == "50");
  CHECK(answer(transmitter, "12mA").sensitivity == "0.16");
  CHECK(answer(transmitter, "50C").caution.empty());
  CHECK(answer(transmitter, "20mA").caution == "100 °C is outside the limits of sensor X, 0 to 60 °C");
  const Sensor indicating{Indicated{}, "sensor Y", {}};
  CHECK(answer(indicating, "212F").value == "100");
  CHECK(answer(indicating, "100C", in("K")).value == "373.15");
  CHECK(answer(indicating, "100C", in("F")).sensitivity == "1");
  CHECK(answer(indicating, "100C", in("F")).sensitivity_unit == "K/K");
}

TEST_CASE("convert: what a sensor does not give") {
  const auto volts = failure(named("pt100"), "1mV");
  CHECK(volts.code == Errc::bad_input);
  CHECK(volts.text() == "converting: a Pt100 gives ohm, not mV: write ohm or kohm, or a temperature in C, K or F");
  CHECK(holds(failure(named("K"), "1ohm").text(), "a thermocouple of type K gives mV, not ohm: write uV, mV or V"));
  CHECK(holds(failure({Indicated{}, "sensor Y", {}}, "1ohm").text(), "sensor Y gives a temperature, not ohm"));
  const auto other_way = failure(named("K"), "1mV", in("uV"));
  CHECK(other_way.code == Errc::bad_input);
  CHECK(other_way.text() == "--to uV: the answer is a temperature, in C, K or F");
  CHECK(failure(named("K"), "1C", in("F")).text() == "--to F: the answer is a voltage, in uV, mV or V");
}

// The ranges of the reference functions: NIST Monograph 175 (type K: -270 to 1372 °C), IEC 60751 (-200 to 850 °C).
TEST_CASE("convert: out of range names the range; type B has two answers for some emfs") {
  const auto hot = failure(named("K"), "2000C");
  CHECK(hot.code == Errc::out_of_range);
  CHECK(holds(hot.text(), "2000 °C is outside -270 to 1372 °C"));
  CHECK(holds(failure(named("pt100"), "900C").text(), "900 °C is outside -200 to 850 °C"));
  CHECK(failure(named("pt100"), "500ohm").code == Errc::out_of_range);
  const auto emf = failure(named("K"), "54mV", with_junction_at(100));
  CHECK(emf.code == Errc::out_of_range);
  CHECK(holds(emf.text(), "mV, with the emf of its junction at 100 °C added"));
  CHECK_FALSE(holds(failure(named("K"), "60mV").text(), "junction"));
  CHECK(holds(failure(named("A"), "100C", with_junction_at(-5)).text(), "reference junction of thermocouple type A"));
  const auto two = failure(named("B"), "-1uV");
  CHECK(two.code == Errc::ambiguous);
  CHECK(holds(two.text(), "two temperatures"));
}

TEST_CASE("convert: what no amount can make right is said before any") {
  CHECK(check_asked(named("K"), with_junction_at(23)).ok());
  CHECK(holds(check_asked(named("pt100"), with_junction_at(23)).error().text(), "a Pt100 has no reference junction"));
  CHECK(check_asked(named("K"), in("F")).ok());
  CHECK(check_asked(named("K"), in("uV")).ok());
  CHECK(holds(check_asked(named("K"), in("ohm")).error().text(), "in uV, mV or V or, for temperatures, in C, K or F"));
  CHECK_FALSE(check_asked({Indicated{}, "sensor Y", {}}, in("ohm")).ok());
}

TEST_CASE("convert: names of sensors") {
  for (const char* name : {"A", "B", "C", "E", "J", "K", "N", "R", "S", "T", "pt100", "Pt1000"})
    CHECK(sensor_named(name));
  for (const char* name : {"", "k", "X", "KK", "pt200", "pt100.json"}) CHECK_FALSE(sensor_named(name));
}

TEST_CASE("convert: an answer as text and as JSON") {
  const Converted found = answer(named("pt100"), "100C");
  CHECK(answer_text(found) == "138.5055 ohm  0.37928 ohm/K");
  CHECK(answer_json(found).dump() ==
        R"({"value":138.5055,"unit":"ohm","sensitivity":0.37928,"sensitivity_unit":"ohm/K"})");
  const Sensor narrow{named("pt100").model, "sensor X", {{0, 60}}};
  CHECK(answer_json(answer(narrow, "100C"))["caution"] == "100 °C is outside the limits of sensor X, 0 to 60 °C");
}
