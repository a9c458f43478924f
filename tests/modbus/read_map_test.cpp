// Register maps in dialect files: every fault at its place, all at once.
#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "dialect/read_dialect.hpp"
#include "modbus/furnace.hpp"
#include "plan/object_reader.hpp"

namespace nightwell::modbus::test {

namespace {

using MapJson = nlohmann::json;

MapJson furnace_json() {
  return MapJson::parse(furnace_dialect(dialect::Framing::rtu));
}

std::vector<std::string> faults_of(const MapJson& json) {
  plan::FaultList faults(100);
  (void)dialect::read_dialect(json, "d", faults);
  std::vector<std::string> out;
  for (const plan::Fault& fault : std::move(faults).take()) out.push_back(fault.pointer + ": " + plan::text(fault));
  return out;
}

void check_told(const MapJson& json, std::vector<std::string> pointers) {
  std::vector<std::string> found;
  for (const std::string& fault : faults_of(json)) found.push_back(fault.substr(0, fault.find(':')));
  std::sort(found.begin(), found.end());
  std::sort(pointers.begin(), pointers.end());
  CHECK(found == pointers);
}

}  // namespace

TEST_CASE("The shipped register map is sound, in both framings") {
  check_told(furnace_json(), {});
  check_told(MapJson::parse(furnace_dialect(dialect::Framing::tcp)), {});
}

TEST_CASE("Every fault of a register map is told at once, at its place") {
  MapJson json = furnace_json();
  json["modbus"]["framing"] = "ascii";
  json["modbus"]["unit_id"] = 0;
  json["modbus"]["identity"]["registers"][0].erase("is");
  json["modbus"]["temperature"].erase("word_order");
  json["modbus"]["target"]["address"] = 65536;
  json["modbus"]["set_target"]["function"] = 7;
  json["modbus"]["output"]["on"] = {2};
  json["modbus"]["set_output"]["on"] = 2;
  json["modbus"]["spoil"] = "x";
  json["line"] = 1;
  json["park"][0]["proved_by"]["is"] = 3;
  check_told(json, {"/modbus/framing", "/modbus/unit_id", "/modbus/identity/registers",
                    "/modbus/temperature/word_order", "/modbus/target/address", "/modbus/set_target/function",
                    "/modbus/output/on", "/modbus/set_output/on", "/modbus/spoil", "/line", "/park/0/proved_by/is"});
}

TEST_CASE("What registers cannot be is a fault") {
  const auto bent = [](const char* pointer, MapJson value) {
    MapJson json = furnace_json();
    json[MapJson::json_pointer(pointer)] = std::move(value);
    return json;
  };
  // A scanner behind registers is not supported.
  check_told(bent("/for", "scanner"), {"/for"});
  // The last of two registers must have an address too.
  check_told(bent("/modbus/temperature/address", 65535), {"/modbus/temperature/address"});
  // Steps never heat: neither the setpoint's register nor the output's.
  check_told(bent("/start_up/0/address", 16), {"/start_up/0/address"});
  check_told(bent("/start_up/0", {{"table", "coil"}, {"address", 0}, {"value", 1}}), {"/start_up/0/address"});
  check_told(bent("/park/0", {{"table", "coil"}, {"address", 0}, {"value", 1}}), {"/park/0/address"});
  check_told(bent("/park/0", {{"table", "coil"}, {"address", 0}, {"value", 0}}), {});
  // Nor the registers in which both are read, where those are others: what shows the setpoint may well be one.
  MapJson apart = furnace_json();
  apart["modbus"]["target"]["address"] = 40;
  apart["modbus"]["output"] = {{"table", "holding"}, {"address", 50}, {"mask", 3}, {"on", {1, 3}}, {"off", {0, 2}}};
  apart["start_up"] = {{{"table", "holding"}, {"address", 50}, {"value", 2}}};
  check_told(apart, {});
  apart["start_up"] = {{{"table", "holding"}, {"address", 40}, {"value", 400}},
                       {{"table", "holding"}, {"address", 50}, {"value", 3}}};
  check_told(apart, {"/start_up/0/address", "/start_up/1/address"});
  // Limits that the setpoint's register cannot hold: 32767 tenths.
  check_told(bent("/limits/highest_c", 5000), {"/modbus/set_target/type"});
  // Two registers are written in one go.
  MapJson wide = furnace_json();
  wide["modbus"]["set_target"]["type"] = "int32";
  wide["modbus"]["set_target"]["word_order"] = "high_first";
  check_told(wide, {});
  wide["modbus"]["set_target"]["function"] = 6;
  check_told(wide, {"/modbus/set_target/function"});
  // A temperature that shows the setpoint would hide a source that runs away.
  const MapJson of_target = furnace_json()["modbus"]["target"];
  check_told(bent("/modbus/temperature", of_target), {"/modbus/temperature/address"});
  MapJson second_word = bent("/modbus/temperature", of_target);
  second_word["modbus"]["temperature"]["address"] = 17;
  check_told(second_word, {});
  second_word["modbus"]["target"] = {{"table", "input"}, {"address", 30}, {"type", "int16"}, {"unit", "celsius"}};
  second_word["modbus"]["set_target"]["type"] = "int32";
  second_word["modbus"]["set_target"]["word_order"] = "high_first";
  check_told(second_word, {"/modbus/temperature/address"});
  // On and off are told apart.
  check_told(bent("/modbus/output/off", {0, 1}), {"/modbus/output/off"});
  check_told(bent("/modbus/set_output/off", 1), {"/modbus/set_output/off"});
  check_told(bent("/modbus/target/no_number", {{"32767", "open_sensor"}, {"-32768", "overload"}}), {});
  check_told(bent("/modbus/target/no_number", {{"32768", "open_sensor"}}), {"/modbus/target/no_number/32768"});
  check_told(bent("/modbus/target/no_number", {{"0x7FFF", "open_sensor"}}), {"/modbus/target/no_number/0x7FFF"});
  check_told(bent("/modbus/temperature/no_number", {{"1", "overload"}}), {"/modbus/temperature/no_number"});
}

}  // namespace nightwell::modbus::test
