#include "drivers/sim/config.hpp"

#include <catch2/catch.hpp>

#include "drivers/sim/command_log.hpp"
#include "tests/sim/support.hpp"

using namespace nightwell;
using namespace nightwell::sim;

namespace {

// The test bench with one text replaced by another.
Result<Config> with(const std::string& from, const std::string& to) {
  std::string text = test::bench_text;
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return parse_config(text.replace(at, from.size(), to), "/nowhere");
}

void check_refused(const Result<Config>& config, const std::string& where) {
  REQUIRE_FALSE(config.ok());
  CHECK(config.error().code == Errc::bad_input);
  CHECK(config.error().where.find(where) != std::string::npos);
}

}  // namespace

TEST_CASE("a configuration becomes a bench; relative ports start at the file's folder") {
  const Config config = test::bench_config();
  CHECK(config.sensors.size() == 5);
  CHECK(std::get<PtyPort>(config.sources.front().port).path == "/nowhere/ports/bath");
  CHECK(config.scanners.front().channels.at(103) == "tc");
}

TEST_CASE("the demo's bench is one") {
  const auto config = load_config(NIGHTWELL_SOURCE_DIR "/demo/sim.json");
  if (!config) FAIL(config.error().text());
  for (const SensorConfig& sensor : config->sensors)
    for (double t_c : config->truth_at_c) CHECK(std::abs(sensor.error_k(t_c)) <= 0.5);
}

TEST_CASE("a thermistor has either equation, as in sensor cards") {
  const std::string shelf = R"("shelf": {"model": {"kind": "platinum", "r0_ohm": 100})";
  const auto thermistor = [&](const std::string& keys) {
    return with(shelf, R"("shelf": {"model": {"kind": "thermistor", )" + keys + R"(, "low_c": 0, "high_c": 50})");
  };
  const auto model = [](const Result<Config>& config) {
    for (const SensorConfig& sensor : config->sensors)
      if (sensor.name == "shelf") return sensor.model;
    return thermometry::SensorModel();
  };
  const auto polynomial = thermistor(R"("coefficients": [1.16e-3, 2.25e-4, 8.6e-7, 6.4e-8])");
  if (!polynomial) FAIL(polynomial.error().text());
  CHECK(std::get<thermometry::ThermistorPolynomial>(model(polynomial)).coefficients.size() == 4);
  const auto steinhart_hart = thermistor(R"("a": 1.1e-3, "b": 2.3e-4, "c": 9e-8)");
  CHECK(std::holds_alternative<thermometry::Thermistor>(model(steinhart_hart)));
  check_refused(thermistor(R"("coefficients": [1.16e-3, 2.25e-4], "c": 9e-8)"), "/sensors/shelf/model/c");
}

TEST_CASE("what is wrong is refused with its place") {
  check_refused(with("\"ambient_c\": 21,", ""), "/ambient_c");
  check_refused(with("\"ambient_c\": 21", "\"ambient_c\": \"21\""), "/ambient_c");
  check_refused(with("\"kind\": \"bath\"", "\"kind\": \"oven\""), "/sources/bath/kind");
  check_refused(with("\"kind\": \"bath\"", "\"kind\": \"bath\", \"colour\": 1"), "/sources/bath/colour");
  check_refused(with("\"in\": \"bath\"", "\"in\": \"pond\""), "/sensors/ref/in");
  check_refused(with("{\"sensor\": \"ref\"}", "{\"sensor\": \"rex\"}"), "/scanners/scan/channels/101");
  check_refused(with("\"101\"", "\"99\""), "/scanners/scan/channels/99");
  check_refused(with("\"junction\": \"block\"", "\"junction\": \"nobody\""), "/sensors/tc/junction");
  check_refused(with("\"junction\": \"block\"", "\"quantum\": 0"), "/sensors/tc/junction");
  check_refused(with("ports/scan", "ports/bath"), "/");
  check_refused(with("\"type\": \"T\"", "\"type\": \"Q\""), "/sensors/tc/model/type");
  check_refused(with("{\n  \"format\"", "{\"format\": \"nightwell-sim/1\",\n  \"format\""), "");
  CHECK_FALSE(parse_config("{", "/").ok());
  CHECK_FALSE(parse_config("[]", "/").ok());
  CHECK_FALSE(parse_config(std::string(2000000, ' '), "/").ok());
}

TEST_CASE("faults name what the bench has") {
  const Config config = test::bench_config();
  const auto check = [&](const char* text) {
    const auto order = parse_fault(text);
    return order.ok() && check_fault(*order, config).ok();
  };
  CHECK(check(R"({"at_s": 5, "instrument": "scan", "fault": "open_sensor", "channel": 101})"));
  CHECK(check(R"({"instrument": "bath", "fault": "runaway", "welded": true})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "open_sensor"})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "runaway"})"));
  CHECK_FALSE(check(R"({"instrument": "nobody", "fault": "silent"})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "open_sensor", "channel": 7})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "tired"})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "delay"})"));
  CHECK_FALSE(check(R"({"instrument": "scan", "fault": "silent", "foo": 1})"));
}

TEST_CASE("log text holds no control bytes") {
  CHECK(printable("MEAS:VOLT? (@101)") == "MEAS:VOLT? (@101)");
  CHECK(printable("a\tb\n\x1b[2J\xb0\\") == "a\\x09b\\x0a\\x1b[2J\\xb0\\x5c");
}
