// Sound files become the plan they describe.
#include <catch2/catch.hpp>

#include "plan/example.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using namespace std::chrono_literals;

TEST_CASE("the example is a plan: channels in the order references, items, junctions") {
  const auto plan = plan_of(example());
  CHECK(plan.profile == "two plateaus");
  CHECK(plan.bench == "cold-store bench");
  CHECK(plan.job == "autumn");
  CHECK(plan.customer_reference == "SB-2026-041");
  REQUIRE(plan.channels.size() == 4);
  CHECK(plan.channels[0].name == "reference");
  CHECK(plan.channels[0].role == sequence::Role::reference);
  CHECK(plan.channels[1].name == "t");
  CHECK(plan.channels[2].name == "pt");
  CHECK(plan.channels[3].role == sequence::Role::junction);
  CHECK(std::get<sequence::JunctionChannel>(plan.channels[1].junction).channel == 3);
  CHECK(std::holds_alternative<sequence::JunctionNone>(plan.channels[2].junction));
  CHECK(plan.channels[0].address == 103);
  CHECK(plan.channels[0].measures == Quantity::resistance);
  CHECK(plan.channels[0].card.serial == "SB-REF-02");
  CHECK(plan.channels[0].card.file == "cards/reference.json");
  CHECK(plan.channels[0].card.u95_k == 0.012);
  CHECK(std::get<thermometry::Platinum>(plan.channels[0].card.model).r0_ohm == 100.0123);
  CHECK(std::get<thermometry::Platinum>(plan.channels[0].card.model).a_per_c == 3.9083e-3);
  CHECK(std::get<thermometry::Thermocouple>(plan.channels[1].card.model).type == thermometry::ThermocoupleType::t);
}

TEST_CASE("instruments keep their ports, limits and times") {
  const auto plan = plan_of(example());
  REQUIRE(plan.scanners.size() == 1);
  CHECK(port_name(plan.scanners[0].port) == "tcp scanner-a:5025");
  REQUIRE(plan.sources.size() == 1);
  const auto& bath = plan.sources[0];
  CHECK(bath.name == "bath");
  CHECK(bath.kind == sequence::SourceKind::bath);
  CHECK(port_name(bath.port) == "serial /dev/serial/by-id/usb-adapter-0001");
  CHECK(bath.identity == "bath");
  CHECK(bath.lowest_c == -40);
  CHECK(bath.absolute_highest_c == 130);
  CHECK(bath.lease == 30s);
  CHECK(bath.poll == 5s);
  CHECK(bath.stale == 10s);
  CHECK(bath.heating_window == 300s);
  CHECK(bath.heating_gain_k == 2);
  CHECK(bath.readback_tolerance_k == 0.01);
}

TEST_CASE("a plateau is laid over the defaults, settle, capture and limits key by key") {
  const auto plan = plan_of(example());
  REQUIRE(plan.plateaus.size() == 2);
  const auto& first = plan.plateaus[0];
  CHECK(first.band_k == 0.5);
  CHECK(first.settle.window == 600s);
  CHECK_FALSE(first.settle.item_drift_k);
  const auto& second = plan.plateaus[1];
  CHECK(second.band_k == 0.2);
  CHECK(second.settle.window == 900s);
  CHECK(second.settle.largest_drift_k == 0.01);
  CHECK(second.settle.item_drift_k == 0.05);
  CHECK(second.capture.placement == sequence::Placement::inside);
  CHECK(second.capture.order == sequence::ReadingOrder::mirrored);
  CHECK(second.capture.sweeps == 3);
  CHECK(second.capture.pause == 5s);
  CHECK(second.settle_limit.otherwise == sequence::LimitPolicy::capture);
  CHECK(second.capture_limit.otherwise == sequence::LimitPolicy::skip);
}

TEST_CASE("one limit is one thing: a phase's limit in a plateau replaces the default's whole limit") {
  auto files = example();
  set(files.profile, "/plateaus/0/limits", {{"approach", {{"within_s", 60}, {"otherwise", "stop"}}}});
  const auto plan = plan_of(files);
  CHECK(plan.plateaus[0].approach_limit.within == 60s);
  CHECK(plan.plateaus[0].settle_limit.within == 3600s);
  set(files.profile, "/plateaus/0/limits", {{"approach", {{"within_s", 60}}}});
  CHECK(faults_of(files).at(0).pointer == "/plateaus/0/limits/approach/otherwise");
}

TEST_CASE("a label of the profile stands for a source of the bench that the job names") {
  auto files = example();
  files.bench["sources"]["furnace"] = files.bench["sources"]["bath"];
  set(files.bench, "/sources/furnace/port", {{"type", "pty"}, {"path", "ports/furnace"}});
  set(files.profile, "/plateau_defaults/source", "cold");
  set(files.profile, "/plateaus/1/source", "hot");
  files.job["sources"] = {{"cold", "bath"}, {"hot", "furnace"}};
  const auto plan = plan_of(files);
  CHECK(plan.sources.at(plan.plateaus[0].source).name == "bath");
  CHECK(plan.sources.at(plan.plateaus[1].source).name == "furnace");
  // A relative path starts where the bench file is.
  CHECK(port_name(plan.sources.at(plan.plateaus[1].source).port) == "pty /bench/ports/furnace");
}

TEST_CASE("a scanner that the job does not use need not answer tonight; every source stays") {
  auto files = example();
  files.bench["scanners"]["spare"] = {
      {"driver", "scpi-scanner"}, {"port", {{"type", "pty"}, {"path", "/ports/spare"}}}, {"reply_s", 2}};
  CHECK(plan_of(files).scanners.size() == 1);
}

TEST_CASE("an attended source has limits and no wire") {
  auto files = example();
  files.bench["sources"]["bath"] = {{"kind", "dry_well"}, {"attended", true}, {"lowest_c", -40},
                                    {"highest_c", 120},   {"safe_c", 20},     {"absolute_highest_c", 130}};
  CHECK(plan_of(files).sources[0].attended);
  set(files.bench, "/sources/bath/lease_s", 30);
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == "/sources/bath/lease_s");
}

TEST_CASE("junctions: fixed, or the instrument's own business") {
  auto files = example();
  erase(files.job, "/junctions");
  set(files.bench, "/channels/t/junction", {{"fixed_c", 0.0}});
  CHECK(std::get<sequence::JunctionFixed>(plan_of(files).channels[1].junction).t_c == 0);
  set(files.bench, "/channels/t/junction", {{"instrument", true}});
  CHECK(std::holds_alternative<sequence::JunctionInstrument>(plan_of(files).channels[1].junction));
}

TEST_CASE("a survey needs no sources, no references, no sampling") {
  auto files = survey_example();
  files.bench["sources"] = nlohmann::json::object();
  files.job["references"] = nlohmann::json::array();
  const auto plan = plan_of(files);
  REQUIRE(plan.survey);
  CHECK(plan.survey->every == 30s);
  CHECK(plan.survey->lasts == 300s);
  CHECK(plan.plateaus.empty());
}

TEST_CASE("a reference that is due today is good, one day later it is not, unless it is accepted") {
  const auto files = example();
  CHECK(plan_of(files, on("2027-03-04")).accepted_overdue.empty());
  const auto faults = faults_of(files, on("2027-03-05"));
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].file == "cards/reference.json");
  CHECK(faults[0].pointer == "/due");
  auto accepted = on("2027-03-05");
  accepted.accept_overdue = true;
  CHECK(plan_of(files, accepted).accepted_overdue == std::vector<std::string>{"SB-REF-02"});
}

TEST_CASE("an item's or a junction's due date stops nothing") {
  auto files = example();
  files.file("cards/t.json")["due"] = "2020-01-01";
  files.file("cards/block.json")["due"] = "2020-01-01";
  CHECK(plan_of(files).accepted_overdue.empty());
}

TEST_CASE("the plan names what it was made of by hash") {
  const auto plan = plan_of(example());
  CHECK(plan.files.size() == 7);
  CHECK(plan.files.count("cards/t.json") == 1);
  CHECK(plan.files.at("profile").size() == 64);
  auto other = example();
  set(other.profile, "/plateaus/0/setpoint_c", -24);
  CHECK(plan_of(other).files.at("profile") != plan.files.at("profile"));
  CHECK(plan_of(other).files.at("bench") == plan.files.at("bench"));
}

TEST_CASE("the shipped profiles fit the demo's bench and job") {
  const std::string root = NIGHTWELL_SOURCE_DIR;
  for (const char* profile : {"/profiles/cold-store.json", "/profiles/cold-store-look.json"}) {
    const auto files = plan::gather(root + profile, root + "/demo/bench.json", root + "/demo/job.json");
    const auto faults = faults_of(files);
    INFO(texts(faults));
    CHECK(faults.empty());
  }
  const auto loaded = plan::load(
      plan::gather(root + "/profiles/cold-store.json", root + "/demo/bench.json", root + "/demo/job.json"), on());
  std::vector<double> setpoints_c;
  for (const auto& plateau : std::get<sequence::Plan>(loaded).plateaus) setpoints_c.push_back(plateau.setpoint_c);
  CHECK(setpoints_c == std::vector<double>{-25, -5, 15, 35, 60, 15});
}
