#include "drivers/sim/scpi.hpp"

#include <catch2/catch.hpp>

using namespace nightwell::sim::scpi;

namespace {

Unit unit(std::string_view line) {
  const auto units = parse(line);
  REQUIRE(units.size() == 1);
  REQUIRE(std::holds_alternative<Unit>(units.front()));
  return std::get<Unit>(units.front());
}

Code last_error(std::string_view line) {
  const auto units = parse(line);
  REQUIRE_FALSE(units.empty());
  const Code* code = std::get_if<Code>(&units.back());
  return code == nullptr ? Code::none : *code;
}

bool matches(const char* pattern, std::string_view line) {
  const Unit one = unit(line);
  return Header(pattern).matches(one.nodes, one.query);
}

}  // namespace

TEST_CASE("a header is its short form or its long form, in any case, and nothing between") {
  const char* const pattern = "MEASure:VOLTage[:DC]?";
  CHECK(matches(pattern, "MEASure:VOLTage:DC? (@101)"));
  CHECK(matches(pattern, "meas:volt? (@101)"));
  CHECK(matches(pattern, ":MEAS:Voltage?\t(@101)"));
  CHECK(matches(pattern, "Measure:Volt:dc?"));
  CHECK_FALSE(matches(pattern, "MEASU:VOLT?"));
  CHECK_FALSE(matches(pattern, "MEA:VOLT?"));
  CHECK_FALSE(matches(pattern, "MEAS:VOLT"));
  CHECK_FALSE(matches(pattern, "MEAS:VOLT:AC?"));
  CHECK_FALSE(matches(pattern, "MEAS?"));
}

TEST_CASE("a node in brackets may be left out wherever it stands") {
  CHECK(matches("[SOURce]:TEMPerature:SPOint", "TEMP:SPO 25"));
  CHECK(matches("[SOURce]:TEMPerature:SPOint", "SOUR:TEMP:SPO 25"));
  CHECK(matches("OUTPut[:STATe]", "OUTP ON"));
  CHECK(matches("OUTPut[:STATe]", "OUTPUT:STATE ON"));
  CHECK(matches("*IDN?", "*idn?"));
}

TEST_CASE("parameters are split at commas outside brackets and quotes") {
  CHECK(unit("MEAS:VOLT? 10, 0.1 ,(@101,102)").parameters == std::vector<std::string>{"10", "0.1", "(@101,102)"});
  CHECK(unit("X:Y \"a,b;c\"").parameters == std::vector<std::string>{"\"a,b;c\""});
  CHECK(last_error("MEAS:VOLT? 10,,(@101)") == Code::syntax);
}

TEST_CASE("a compound message keeps the path of the header before") {
  const auto units = parse("MEAS:VOLT? (@101);FRES? (@102);:SYST:ERR?;*OPC?");
  REQUIRE(units.size() == 4);
  const std::vector<std::string> path = {"MEAS"};
  using Nodes = std::vector<std::string>;
  CHECK(resolve(std::get<Unit>(units[1]), path) == Nodes{"MEAS", "FRES"});
  CHECK(resolve(std::get<Unit>(units[2]), path) == Nodes{"SYST", "ERR"});
  CHECK(resolve(std::get<Unit>(units[3]), path) == Nodes{"*OPC"});
}

TEST_CASE("what cannot be read is an error of the standard and ends the message") {
  CHECK(last_error("MEAS::VOLT?") == Code::syntax);
  CHECK(last_error("*IDN?;;*OPC?") == Code::syntax);
  CHECK(last_error("MEAS:VOLT\x80?") == Code::invalid_character);
  CHECK(last_error("THISMNEMONICISLONG?") == Code::mnemonic_too_long);
  const auto units = parse("*IDN?;1BAD;*OPC?");
  CHECK(units.size() == 2);
  CHECK(parse("").empty());
  CHECK(parse("  \t").empty());
}

TEST_CASE("channel lists hold channels and ranges in the order written") {
  const auto list = [](std::string_view text) { return std::get<std::vector<int>>(channel_list(text)); };
  CHECK(list("(@101)") == std::vector<int>{101});
  CHECK(list("(@101:103,105)") == std::vector<int>{101, 102, 103, 105});
  CHECK(list("(@103:101, 110)") == std::vector<int>{103, 102, 101, 110});
  const auto refused = [](std::string_view text) { return std::get<Code>(channel_list(text)); };
  CHECK(refused("101") == Code::data_type);
  CHECK(refused("(101)") == Code::invalid_expression);
  CHECK(refused("(@)") == Code::invalid_expression);
  CHECK(refused("(@101") == Code::invalid_expression);
  CHECK(refused("(@101:102:103)") == Code::invalid_expression);
  CHECK(refused("(@-5)") == Code::invalid_expression);
  CHECK(refused("(@99999999999)") == Code::invalid_expression);
  CHECK(refused("(@0:2000000000)") == Code::too_much_data);
}

TEST_CASE("numbers are NRf and whole") {
  const auto value = [](std::string_view text) { return std::get<double>(number(text)); };
  CHECK(value("25") == 25);
  CHECK(value("+25.5") == 25.5);
  CHECK(value("-.5") == -0.5);
  CHECK(value("2.5E1") == 25);
  const auto refused = [](std::string_view text) { return std::get<Code>(number(text)); };
  CHECK(refused("25 C") == Code::invalid_suffix);
  CHECK(refused("1.2.3") == Code::numeric_data);
  CHECK(refused("+-3") == Code::numeric_data);
  CHECK(refused("1e999") == Code::exponent_too_large);
  CHECK(refused("nan") == Code::data_type);
  CHECK(refused("\"25\"") == Code::data_type);
}

TEST_CASE("booleans are words or rounded numbers") {
  CHECK(std::get<bool>(boolean("on")));
  CHECK_FALSE(std::get<bool>(boolean("OFF")));
  CHECK(std::get<bool>(boolean("1")));
  CHECK_FALSE(std::get<bool>(boolean("0.4")));
  CHECK(std::get<Code>(boolean("maybe")) == Code::illegal_parameter);
}

TEST_CASE("numbers go out as NR3 with nine digits") {
  CHECK(format(109.735) == "+1.09735000E+02");
  CHECK(format(-1e-6) == "-1.00000000E-06");
  CHECK(format(infinity) == "+9.90000000E+37");
  CHECK(format(not_a_number) == "+9.91000000E+37");
}

TEST_CASE("the error queue is first in, first out, and its last place tells of an overflow") {
  Status status;
  CHECK(status.next_error() == "0,\"No error\"");
  for (std::size_t i = 0; i < queue_length + 3; ++i) status.raise(i == 0 ? Code::undefined_header : Code::out_of_range);
  CHECK(status.next_error() == "-113,\"Undefined header\"");
  for (std::size_t i = 0; i + 2 < queue_length; ++i) CHECK(status.next_error() == "-222,\"Data out of range\"");
  CHECK(status.next_error() == "-350,\"Queue overflow\"");
  CHECK(status.next_error() == "0,\"No error\"");
}

TEST_CASE("status registers: what was read is gone, and the summary follows the enables") {
  Status status;
  CHECK(status.take_event() == 128);  // power on
  status.raise(Code::undefined_header);
  status.raise(Code::out_of_range);
  status.event_enable = 32;
  status.request_enable = 32;
  CHECK(status.byte() == (4 | 32 | 64));
  CHECK(status.take_event() == (32 | 16));
  CHECK(status.take_event() == 0);
  CHECK(status.byte() == 4);
  status.clear();
  CHECK(status.byte() == 0);
}
