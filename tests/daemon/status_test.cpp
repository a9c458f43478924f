// A run's STATUS object: what `nightwell watch` shows.

#include "daemon/status.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "support/plans.hpp"

using namespace nightwell;

TEST_CASE("of a capture inside the settle window no sweep counts before the window is proved") {
  auto plan = tests::bath_plan({40});
  plan.plateaus[0].capture.placement = sequence::Placement::inside;
  auto run = sequence::begin(plan);
  sequence::Settle settle;
  settle.sweeps = {7, 8, 9, 10, 11};  // more than the three that the plateau asks for: any of them may still drop out
  run.state = settle;
  daemon::StatusFacts facts;
  facts.parked.resize(plan.sources.size());
  CHECK(daemon::status_json(plan, run, facts)["sweeps"] == nlohmann::ordered_json({{"done", 0}, {"of", 3}}));
  run.state = sequence::Capture{};
  CHECK(daemon::status_json(plan, run, facts)["sweeps"]["done"] == 0);
}

TEST_CASE("a parked run in which a person must switch a source off is not called confirmed") {
  auto plan = tests::bath_plan({40});
  plan.sources.push_back(plan.sources[0]);
  plan.sources[1].name = "furnace";
  plan.sources[1].attended = true;
  auto run = sequence::begin(plan);
  run.state = sequence::Parked{"asked", {true, false}, ""};
  daemon::StatusFacts facts;
  facts.parked.resize(plan.sources.size());
  CHECK(daemon::status_json(plan, run, facts)["parked"]["confirmed"] == true);  // it was never in use
  run.sources[1].used = true;
  const auto parked = daemon::status_json(plan, run, facts)["parked"];
  CHECK(parked["confirmed"] == false);
  CHECK(parked["text"] == "furnace: a person must switch it off, and nobody can say here that it is");
}
