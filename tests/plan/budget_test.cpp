// The budget file that a job names, and the tolerance in a card: read, refused with their place, and frozen in the plan.
#include <algorithm>
#include <catch2/catch.hpp>
#include <fstream>

#include "example.hpp"
#include "plan/budget_json.hpp"
#include "plan/plan_json.hpp"
#include "plan/tolerance_json.hpp"

using namespace nightwell;
using namespace nightwell::plan;
using namespace nightwell::tests;
using Document = nlohmann::json;

namespace {

Document shipped_budget() {
  std::ifstream file(NIGHTWELL_SOURCE_DIR "/demo/budget.json");
  return Document::parse(file);
}

Example with_budget(Document budget) {
  Example files = example();
  set(files.job, "/budget", "lab/budget.json");
  files.cards["lab/budget.json"] = std::move(budget);
  return files;
}

}  // namespace

TEST_CASE("The shipped budget is read, and written back as the same value") {
  const auto read = budget_from_json(shipped_budget());
  REQUIRE(read.ok());
  CHECK(read->coverage == 0.9545);
  CHECK(read->rule.kind == uncertainty::RuleKind::guard_band);
  const auto& ohms = read->scanners.at("scanner-a").at(Quantity::resistance);
  CHECK(ohms[0].of_reading == 1e-6);
  CHECK(ohms[0].common_to_channels);
  CHECK(ohms[1].constant == 0.0005);
  CHECK(ohms[0].shape == uncertainty::Shape::rectangular);
  CHECK(read->references[0].each_year);
  const auto again = budget_from_json(budget_json(*read));
  REQUIRE(again.ok());
  CHECK(budget_json(*again) == budget_json(*read));
}

TEST_CASE("A job's budget goes into the plan and into its record") {
  const auto plan = plan_of(with_budget(shipped_budget()));
  REQUIRE_FALSE(plan.budget.empty());
  CHECK(plan.files.contains("lab/budget.json"));
  const auto record = budget_record(plan);
  CHECK(record.at("budget").at("format") == "nightwell-budget/1");
  CHECK(budget_from_json(record.at("budget")).ok());
  CHECK(plan_of(example()).budget.empty());
}

TEST_CASE("What is wrong in a budget is said with its place") {
  Document budget = shipped_budget();
  set(budget, "/scanners/scanner-a/voltage/0/shape", "square");
  set(budget, "/sources/bath/1/half_width_k", -1);
  set(budget, "/references/0/half_width_ohm", 1);
  erase(budget, "/references/1/source");
  const auto faults = faults_of(with_budget(budget));
  INFO(texts(faults));
  const auto at = [&](const std::string& pointer) {
    return std::count_if(faults.begin(), faults.end(), [&](const Fault& fault) {
      return fault.file == "lab/budget.json" && fault.pointer == pointer;
    });
  };
  CHECK(at("/scanners/scanner-a/voltage/0/shape") == 1);
  CHECK(at("/sources/bath/1/half_width_k") == 1);
  CHECK(at("/references/0/half_width_ohm") == 1);
  CHECK(at("/references/1/source") == 1);
  CHECK(faults.size() == 4);
}

TEST_CASE("Only a scanner's effect is common to channels, and then it is an offset or a gain") {
  Document budget = shipped_budget();
  set(budget, "/scanners/scanner-a/voltage/0/common_to_channels", true);
  set(budget, "/scanners/scanner-a/voltage/0/half_width_v", 2e-7);
  set(budget, "/scanners/scanner-a/voltage/0/of_reading", 2e-5);
  set(budget, "/sources/bath/0/common_to_channels", true);
  set(budget, "/items_that_measure/voltage/0/common_to_channels", false);
  const auto faults = faults_of(with_budget(budget));
  INFO(texts(faults));
  REQUIRE(faults.size() == 3);
  CHECK(std::any_of(faults.begin(), faults.end(), [](const Fault& fault) {
    return fault.pointer == "/scanners/scanner-a/voltage/0/common_to_channels" &&
           fault.message.find("two effects") != std::string::npos;
  }));
  budget = shipped_budget();
  set(budget, "/scanners/scanner-a/voltage/1/common_to_channels", true);
  const auto read = budget_from_json(budget);
  REQUIRE(read.ok());
  CHECK(read->scanners.at("scanner-a").at(Quantity::voltage)[1].common_to_channels);
  CHECK(budget_from_json(budget_json(*read))->scanners.at("scanner-a").at(Quantity::voltage)[1].common_to_channels);
}

TEST_CASE("A budget that is not there, of another format, or too long for a journal's line is refused") {
  Example missing = with_budget(shipped_budget());
  missing.cards.erase("lab/budget.json");
  auto faults = faults_of(missing);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].file == "job");
  CHECK(faults[0].pointer == "/budget");

  faults = faults_of(with_budget(example().file("cards/t.json")));
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == "/format");

  Document longer = shipped_budget();
  const Document effect = longer["sources"]["bath"][0];
  for (int source = 0; source < 30; ++source)
    for (int i = 0; i < 20; ++i) longer["sources"]["bath-" + std::to_string(source)].push_back(effect);
  faults = faults_of(with_budget(longer));
  REQUIRE(faults.size() == 1);
  CHECK(text(faults[0]).find("at most 49152") != std::string::npos);
}

TEST_CASE("Tolerances: words of a standard or a customer's own, written back as they came") {
  const thermometry::SensorModel type_t = thermometry::Thermocouple{thermometry::ThermocoupleType::t, {}};
  const thermometry::SensorModel pt100 = thermometry::Platinum{};
  for (const auto& [tolerance, model] : std::vector<std::pair<nlohmann::ordered_json, thermometry::SensorModel>>{
           {{{"standard", "IEC 60584-1"}, {"class", "1"}}, type_t},
           {{{"standard", "ASTM E230"}, {"class", "special"}}, type_t},
           {{{"standard", "IEC 60751"}, {"class", "AA"}, {"build", "film"}}, pt100},
           {{{"standard", "ASTM E1137"}, {"class", "B"}}, pt100},
           {{{"constant_k", 0.5}, {"fraction_of_t", 0.002}}, pt100}}) {
    INFO(tolerance.dump());
    const auto read = tolerance_from_json(tolerance, model);
    REQUIRE(read.ok());
    CHECK(tolerance_json(*read) == tolerance);
  }
  CHECK_FALSE(tolerance_from_json({{"standard", "IEC 60584-1"}, {"class", "4"}}, type_t).ok());
  CHECK_FALSE(tolerance_from_json({{"standard", "IEC 60584-1"}, {"class", "1"}}, pt100).ok());
  CHECK_FALSE(tolerance_from_json({{"constant_k", 0}}, pt100).ok());
}

TEST_CASE("A card's tolerance stands in its record; a class that the sensor does not have is refused in the card") {
  Example files = example();
  set(files.cards["cards/pt.json"], "/tolerance", {{"standard", "IEC 60751"}, {"class", "A"}, {"build", "film"}});
  const auto plan = plan_of(files);
  const auto judged = std::find_if(plan.channels.begin(), plan.channels.end(),
                                   [](const auto& channel) { return channel.card.tolerance.has_value(); });
  REQUIRE(judged != plan.channels.end());
  CHECK(card_record(plan, static_cast<std::size_t>(judged - plan.channels.begin())).at("tolerance").at("class") == "A");
  set(files.cards["cards/pt.json"], "/tolerance", {{"standard", "IEC 60584-1"}, {"class", "1"}});
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].file == "cards/pt.json");
  CHECK(faults[0].pointer == "/tolerance/class");
}
