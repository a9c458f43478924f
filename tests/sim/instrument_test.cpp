#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "drivers/sim/scanner.hpp"
#include "drivers/sim/source.hpp"
#include "tests/sim/support.hpp"

using namespace nightwell;
using namespace nightwell::sim;

namespace {

struct ScannerFixture {
  Config config = test::bench_config();
  World world{config, 7};
  SimulatedScanner scanner{config.scanners.front(), world};
  std::string ask(const std::string& line, double now_s = 0) { return test::ask(scanner, world, line, now_s); }
  std::string error() { return ask("SYST:ERR?"); }
};

struct SourceFixture {
  Config config = test::bench_config();
  World world{config, 7};
  SimulatedSource source{config.sources.front(), world};
  std::string ask(const std::string& line, double now_s = 0) { return test::ask(source, world, line, now_s); }
  std::string error() { return ask("SYST:ERR?"); }
};

FaultOrder fault(const std::string& name, std::optional<int> channel = {}) {
  FaultOrder order;
  order.fault = name;
  order.channel = channel;
  return order;
}

}  // namespace

TEST_CASE_METHOD(ScannerFixture, "identity, version and a clean start") {
  CHECK(ask("*IDN?") == "Nightwell,Simulated scanner,scan," NIGHTWELL_VERSION);
  CHECK(ask("SYSTem:VERSion?") == "1999.0");
  CHECK(ask("*TST?;*OPC?") == "0;1");
  CHECK(error() == "0,\"No error\"");
}

TEST_CASE_METHOD(ScannerFixture, "a reading takes its time and says where the sensor is") {
  scanner.begin("MEAS:FRES? (@105)", 10);
  REQUIRE(scanner.busy());
  CHECK(scanner.due_s() == Approx(10.25));
  world.advance_to(10.25);
  scanner.proceed();
  REQUIRE_FALSE(scanner.busy());
  const std::string reply = scanner.take_reply();
  CHECK(reply.starts_with("+1.0818"));  // 21 °C, IEC 60751: 108.181 ohm
  CHECK(reply.ends_with("E+02"));
}

TEST_CASE_METHOD(ScannerFixture, "several channels answer in the order asked, separated by commas") {
  const std::string reply = ask("MEAS:FRES? (@101:102,104)");
  CHECK(std::count(reply.begin(), reply.end(), ',') == 2);
  const std::string backwards = ask("MEAS:FRES? (@104,102,101)", 100);
  CHECK(backwards.substr(0, 7) == reply.substr(reply.rfind(',') + 1, 7));
}

TEST_CASE_METHOD(ScannerFixture, "compound messages join their replies and follow the path rule") {
  const std::string reply = ask("*OPC?;MEAS:FRES? (@101);FRES? (@102);:SYST:ERR?");
  CHECK(std::count(reply.begin(), reply.end(), ';') == 3);
  CHECK(reply.starts_with("1;+"));
  CHECK(reply.ends_with("0,\"No error\""));
  CHECK(ask("MEAS:FRES? (@101);SYST:ERR?") != "");
  CHECK(error() == "-113,\"Undefined header\"");
}

TEST_CASE_METHOD(ScannerFixture, "what is not there is overload, what cannot be converted is not a number") {
  CHECK(ask("MEAS:FRES? (@120)") == "+9.90000000E+37");  // no sensor
  CHECK(ask("MEAS:FRES? (@103)") == "+9.90000000E+37");  // a thermocouple has no four wires
  CHECK(std::abs(std::stod(ask("MEAS:VOLT? (@101)"))) < 1e-5);
  CHECK(std::stod(ask("MEAS:TEMP? (@101)")) == Approx(21).margin(0.01));
  CHECK(std::stod(ask("MEAS:TEMP? (@103)")) == Approx(20.7).margin(0.05));
}

TEST_CASE_METHOD(ScannerFixture, "errors have the numbers of the standard and no reply") {
  const std::pair<const char*, const char*> cases[] = {
      {"MEAS:FRES?", "-109,\"Missing parameter\""},
      {"MEAS:FRES? 101", "-104,\"Data type error\""},
      {"MEAS:FRES? (@101", "-171,\"Invalid expression\""},
      {"MEAS:FRES? (@500)", "-222,\"Data out of range\""},
      {"MEAS:FRES? 1,2,3,(@101)", "-108,\"Parameter not allowed\""},
      {"MEAS:CAP? (@101)", "-113,\"Undefined header\""},
      {"*IDN? 1", "-108,\"Parameter not allowed\""},
      {"*ESE 256", "-222,\"Data out of range\""},
      {"*ESE", "-109,\"Missing parameter\""},
      {"$", "-102,\"Syntax error\""},
  };
  for (const auto& [line, expected] : cases) {
    INFO(line);
    CHECK(ask(line).empty());
    CHECK(error() == expected);
    CHECK(error() == "0,\"No error\"");
  }
}

TEST_CASE_METHOD(ScannerFixture, "a command error drops the rest of the message, an execution error does not") {
  CHECK(ask("*OPC?;BAD?;*OPC?") == "1");
  CHECK(ask("*CLS;*OPC?;*ESE 300;*OPC?") == "1;1");
  CHECK(error() == "-222,\"Data out of range\"");
}

TEST_CASE_METHOD(ScannerFixture, "expected value and resolution may stand before the list") {
  CHECK(ask("MEAS:FRES? 100,0.001,(@101)").starts_with("+1.08"));
  CHECK(ask("MEAS:FRES? AUTO,DEF,(@101)").starts_with("+1.08"));
  CHECK(ask("MEAS:FRES? WIDE,(@101)").empty());
}

TEST_CASE_METHOD(ScannerFixture, "an open sensor is overload on its channel only") {
  scanner.set_fault(fault("open_sensor", 102), true, 0);
  const std::string reply = ask("MEAS:FRES? (@101:102)");
  CHECK(reply.starts_with("+1.08"));
  CHECK(reply.ends_with("+9.90000000E+37"));
  scanner.set_fault(fault("open_sensor", 102), false, 0);
  CHECK(ask("MEAS:FRES? (@102)").starts_with("+1.08"));
}

TEST_CASE_METHOD(ScannerFixture, "a stuck channel repeats itself, a drifting one wanders") {
  scanner.set_fault(fault("stuck", 105), true, 0);
  const std::string first = ask("MEAS:FRES? (@105)", 1);
  CHECK(ask("MEAS:FRES? (@105)", 100) == first);
  FaultOrder drift = fault("drift", 101);
  drift.k_per_h = 2;
  const double before = std::stod(ask("MEAS:TEMP? (@101)", 200));
  scanner.set_fault(drift, true, 200);
  CHECK(std::stod(ask("MEAS:TEMP? (@101)", 200 + 1800)) == Approx(before + 1).margin(0.001));
}

TEST_CASE_METHOD(SourceFixture, "setpoint and output are set, read back, and limited") {
  CHECK(ask("SOURce:TEMPerature:SPOint 35.5;SPOint?") == "+3.55000000E+01");
  CHECK(ask("temp:spo 130").empty());
  CHECK(error() == "-222,\"Data out of range\"");
  CHECK(ask("SOUR:TEMP:SPO?") == "+3.55000000E+01");
  CHECK(ask("SOUR:TEMP:SPO? MIN;SPO? MAX") == "-4.00000000E+01;+1.20000000E+02");
  CHECK(ask("OUTP?") == "0");
  CHECK(ask("OUTP ON;:OUTP:STAT?") == "1");
  CHECK(ask("OUTPut:STATe 0;STATe?") == "0");
  CHECK(ask("OUTP MAYBE").empty());
  CHECK(error() == "-224,\"Illegal parameter value\"");
}

TEST_CASE_METHOD(SourceFixture, "the source heats, and its own thermometer is off by its own offset") {
  CHECK(ask("TEMP:SPO 45;:OUTP ON").empty());
  const double indicated_c = std::stod(ask("MEAS:TEMP?", 2 * 3600));
  CHECK(indicated_c == Approx(45).margin(0.01));
  CHECK(world.plant("bath").reference_position_c() == Approx(45 - 0.06).margin(0.01));
}

TEST_CASE_METHOD(SourceFixture, "reset turns the output off; a power cut too, unless told otherwise") {
  CHECK(ask("TEMP:SPO 45;:OUTP ON;*RST;:OUTP?") == "0");
  CHECK(ask("TEMP:SPO?") == "+2.10000000E+01");
  FaultOrder reset = fault("reset");
  reset.setpoint_c = 80;
  reset.output = true;
  source.power_cycle(reset, 10);
  CHECK(ask("TEMP:SPO?;:OUTP?", 10) == "+8.00000000E+01;1");
  CHECK(ask("*ESR?", 10) == "128");
}

TEST_CASE_METHOD(SourceFixture, "a stuck indication hides that the bath moves") {
  CHECK(ask("TEMP:SPO 45;:OUTP ON").empty());
  const std::string before = ask("MEAS:TEMP?", 300);
  source.set_fault(fault("stuck"), true, 300);
  CHECK(ask("MEAS:TEMP?", 900) == before);
  CHECK(world.plant("bath").reference_position_c() > 40);
  source.set_fault(fault("stuck"), false, 900);
  CHECK(ask("MEAS:TEMP?", 901) != before);
}
