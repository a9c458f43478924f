// The journal's opening records, against the tables of docs/journal.md.
#include "plan/plan_json.hpp"

#include <catch2/catch.hpp>

#include "journal/strict_json.hpp"
#include "plan/example.hpp"
#include "plan/sensor_json.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using Ordered = nlohmann::ordered_json;

namespace {

std::vector<std::string> keys(const Ordered& object) {
  std::vector<std::string> out;
  for (const auto& [key, value] : object.items()) out.push_back(key);
  return out;
}

using Keys = std::vector<std::string>;

}  // namespace

TEST_CASE("the plan record") {
  const auto record = plan::plan_record(plan_of(example()));
  CHECK(keys(record) == Keys{"scanners", "sources", "sampling", "guards", "cooldown", "survey"});
  CHECK(record["scanners"][0]["port"].dump() == R"({"type":"tcp","host":"scanner-a","port":5025})");
  CHECK(record["sources"][0]["name"] == "bath");
  CHECK(record["sources"][0]["lease_s"] == 30.0);
  CHECK(record["sources"][0]["heating"].dump() == R"({"window_s":300.0,"gain_k":2.0})");
  CHECK(record["sampling"].dump() == R"({"every_s":5.0,"items_every_s":60.0})");
  CHECK(record["guards"]["item_highest_c"] == 90.0);
  CHECK(record["guards"]["item_lowest_c"].is_null());
  CHECK(record["cooldown"].dump() ==
        R"({"target_c":20.0,"leave_between_c":[5.0,40.0],"within_s":7200.0,"otherwise":"park"})");
  CHECK(record["survey"].is_null());
}

TEST_CASE("the plan record of a survey and of an attended source") {
  auto files = survey_example();
  files.bench["sources"]["bath"] = {{"kind", "dry_well"}, {"attended", true}, {"lowest_c", -40},
                                    {"highest_c", 120},   {"safe_c", 20},     {"absolute_highest_c", 130}};
  const auto record = plan::plan_record(plan_of(files));
  CHECK(record["survey"].dump() == R"({"every_s":30.0,"lasts_s":300.0,"expected_c":21.0,"outlier_k":2.0})");
  CHECK(keys(record["sources"][0]) ==
        Keys{"name", "kind", "attended", "lowest_c", "highest_c", "safe_c", "absolute_highest_c"});
  // What it has no rule for is null, not a limit of 0 °C or 0 s.
  CHECK(record["cooldown"].is_null());
  CHECK(record["sampling"].is_null());
  CHECK(record["guards"]["stale_s"].is_null());
  CHECK(record["guards"]["heating"].is_null());
}

TEST_CASE("the card record") {
  const auto plan = plan_of(example());
  const auto record = plan::card_record(plan, 1);
  CHECK(keys(record) == Keys{"channel", "name", "role", "scanner", "address", "measures", "junction", "serial", "type",
                             "model", "lowest_c", "highest_c", "certificate", "calibrated", "due", "u95_k", "tolerance",
                             "file"});
  CHECK(record["channel"] == 1);
  CHECK(record["role"] == "item");
  CHECK(record["scanner"] == "scanner-a");
  CHECK(record["measures"] == "voltage");
  CHECK(record["junction"].dump() == R"({"channel":3})");
  CHECK(record["model"].dump() == R"({"kind":"thermocouple","type":"T","deviation_uv":[]})");
  CHECK(record["u95_k"].is_null());
  CHECK(plan::card_record(plan, 0)["u95_k"] == 0.012);
  CHECK(plan::card_record(plan, 0)["junction"].is_null());
  CHECK(plan::card_record(plan, 3)["role"] == "junction");
}

TEST_CASE("the plateau record") {
  const auto record = plan::plateau_record(plan_of(example()), 1);
  CHECK(record.dump() ==
        R"({"plateau":1,"setpoint_c":60.0,"source":"bath","band_k":0.2,)"
        R"("settle":{"window_s":900.0,"largest_drift_k":0.01,"largest_spread_k":0.02,"item_drift_k":0.05},)"
        R"("capture":{"placement":"inside","order":"mirrored","sweeps":3,"pause_s":5.0},)"
        R"("approach_limit":{"within_s":7200.0,"otherwise":"park"},)"
        R"("settle_limit":{"within_s":3600.0,"otherwise":"capture"},)"
        R"("capture_limit":{"within_s":600.0,"otherwise":"skip"}})");
  CHECK(plan::plateau_record(plan_of(example()), 0)["settle"]["item_drift_k"].is_null());
}

TEST_CASE("every record is journal JSON, whatever texts the files brought") {
  auto files = example();
  set(files.file("cards/t.json"), "/type", "Kühlraum-Fühler ☃ \"4 °C\"");
  const auto plan = plan_of(files);
  std::string line;
  CHECK_FALSE(journal::strict_json::append(line, plan::plan_record(plan)));
  for (std::size_t i = 0; i < plan.channels.size(); ++i)
    CHECK_FALSE(journal::strict_json::append(line, plan::card_record(plan, i)));
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i)
    CHECK_FALSE(journal::strict_json::append(line, plan::plateau_record(plan, i)));
}

TEST_CASE("every sensor model comes back from its JSON as it was") {
  using namespace thermometry;
  const std::vector<SensorModel> models = {
      Thermocouple{ThermocoupleType::s, {0.1, -0.02, 3e-5}},
      Thermocouple{ThermocoupleType::b, {}},
      Platinum{99.987, 3.9079e-3, -5.78e-7, -4.2e-12},
      Sprt{25.5123, SprtSubrange{4, {-1e-4, 2e-5}}, SprtSubrange{7, {-1e-4, 2e-6, 3e-7}}},
      Sprt{25.5123, std::nullopt, SprtSubrange{11, {-1e-4}}},
      Thermistor{1.1e-3, 2.3e-4, 8.7e-8, -20, 120},
      ThermistorPolynomial{{1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8}, -20, 120},
      CurrentTransmitter{-50, 150, 0.004, 0.020},
      Indicated{},
  };
  for (const auto& model : models) {
    const auto written = plan::model_json(model);
    INFO(written.dump());
    const auto back = plan::model_from_json(written);
    REQUIRE(back.ok());
    CHECK(plan::model_json(*back) == written);
    CHECK(back->index() == model.index());
  }
}

TEST_CASE("a sensor model that is wrong says where") {
  struct Given {
    const char *text, *words;
  };
  const std::vector<Given> cases = {
      {"3", "an object"},
      {"{}", "/kind"},
      {R"({"kind": "platinum"})", "/r0_ohm"},
      {R"({"kind": "platinum", "r0_ohm": 0})", "0.01 to 100000 ohm"},
      {R"({"kind": "platinum", "r0_ohm": 100, "a_per_c": 0.0039})", "/b_per_c2"},
      {R"({"kind": "thermocouple", "type": "Z"})", "/type"},
      {R"({"kind": "thermocouple", "type": "K", "deviation_uv": [1, "2"]})", "/deviation_uv/1"},
      {R"({"kind": "sprt", "r_tpw_ohm": 25.5})", "triple point"},
      {R"({"kind": "sprt", "r_tpw_ohm": 25.5, "below": {"subrange": 4, "coefficients": [1e-4]}})",
       "/below/coefficients"},
      {R"({"kind": "sprt", "r_tpw_ohm": 25.5, "below": {"subrange": 7, "coefficients": [1, 2, 3]}})",
       "/below/subrange"},
      {R"({"kind": "sprt", "r_tpw_ohm": 25.5, "above": {"subrange": 12, "coefficients": [1]}})", "5 to 11"},
      {R"({"kind": "thermistor", "a": 1e-3, "b": 2e-4, "c": 1e-7, "low_c": 50, "high_c": 50})", "/high_c"},
      {R"({"kind": "thermistor", "a": 1e-3, "b": -2e-4, "c": 1e-7, "low_c": 0, "high_c": 50})", "/b: found -0.0002"},
      {R"({"kind": "thermistor", "b": 2e-4, "coefficients": [1e-3, 2e-4], "low_c": 0, "high_c": 50})",
       "/b: found 0.0002, allowed nothing; coefficients stand beside it"},
      {R"({"kind": "thermistor", "coefficients": [1e-3], "low_c": 0, "high_c": 50})", "/coefficients"},
      {R"({"kind": "thermistor", "coefficients": [1e-3, 2e-4, 0, 0, 0, 0, 0], "low_c": 0, "high_c": 50})",
       "/coefficients"},
      {R"({"kind": "thermistor", "coefficients": [1e-3, "b"], "low_c": 0, "high_c": 50})", "/coefficients/1"},
      {R"({"kind": "thermistor", "coefficients": [3.1e-3, 2.5e-4, -2.5e-5], "low_c": -40, "high_c": 50})",
       "/coefficients: found a list of 3, allowed coefficients by which the resistance falls from low_c to high_c"},
      {R"({"kind": "thermistor", "coefficients": [1e-3, 1e9], "low_c": 0, "high_c": 50})", "hardly changes"},
      {R"({"kind": "thermistor", "coefficients": [1e-3, 2e-4]})", "/low_c"},
      {R"({"kind": "current_transmitter", "low_c": 0, "high_c": 100, "low_a": 0.02, "high_a": 0.004})", "/high_a"},
      {R"({"kind": "indicated", "offset": 1})", "unknown key"},
  };
  for (const auto& [text, words] : cases) {
    INFO(text);
    const auto model = plan::model_from_json(Ordered::parse(text));
    REQUIRE_FALSE(model.ok());
    CHECK(model.error().code == Errc::bad_input);
    CHECK_THAT(model.error().text(), Catch::Contains(words));
  }
}
