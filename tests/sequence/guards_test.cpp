// Guards, preflight and items that fail.
#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

namespace {

ChannelReading faulted(std::size_t channel, Instant at, const std::string& text = "open") {
  return {channel, at, std::nullopt, ReadingFault{Errc::open_sensor, text}, ""};
}

}  // namespace

TEST_CASE("A reference that gives no temperature ends the night before anything is heated") {
  Night night(bath_plan({30}));
  night.read = [](std::size_t channel, Instant at, double t_c) {
    return channel == 0 ? faulted(channel, at) : ChannelReading{channel, at, t_c, std::nullopt, ""};
  };
  night.open();
  night.pass(5min);
  CHECK(phase(night.run) == Phase::parked);
  CHECK(night.find<Command>() == nullptr);
  CHECK(std::get<Parked>(night.run.state).cause.find("reference r1 gives no temperature") != std::string::npos);
}

TEST_CASE("One open item is named and left out, the others get their night") {
  Night night(bath_plan({30}, 3));
  night.plan.plateaus[0].settle.item_drift_k = 0.02;
  night.read = [](std::size_t channel, Instant at, double t_c) {
    return channel == 2 ? faulted(channel, at) : ChannelReading{channel, at, t_c, std::nullopt, ""};
  };
  night.open();
  night.pass(24h);
  REQUIRE(night.all<LeftOut>().size() == 1);
  CHECK(night.all<LeftOut>()[0].channel == 2);
  CHECK(night.find<Close>()->ending == Ending::finished);
}

TEST_CASE("An item that fails in the night is left out after three faults and no longer holds the rule") {
  Night night(bath_plan({30}, 2));
  night.plan.plateaus[0].settle.item_drift_k = 0.02;
  bool broken = false;
  night.read = [&](std::size_t channel, Instant at, double t_c) {
    return broken && channel == 1 ? faulted(channel, at) : ChannelReading{channel, at, t_c, std::nullopt, ""};
  };
  night.open();
  REQUIRE(night.reach(Phase::settle));
  broken = true;
  night.pass(24h);
  CHECK(night.all<LeftOut>().size() == 1);
  CHECK(night.find<Close>()->ending == Ending::finished);
}

TEST_CASE("A reference that goes silent parks after the stale time") {
  Night night(bath_plan({30}));
  bool silent = false;
  night.read = [&](std::size_t channel, Instant at, double t_c) {
    return silent && channel == 0 ? faulted(channel, at) : ChannelReading{channel, at, t_c, std::nullopt, ""};
  };
  night.open();
  REQUIRE(night.reach(Phase::settle));
  silent = true;
  night.pass(50s);
  CHECK(phase(night.run) == Phase::settle);
  night.pass(30s);
  CHECK(phase(night.run) == Phase::parked);
  CHECK(night.find<GuardCrossed>()->guard == "reference_stale");
}

TEST_CASE("A scanner that never answers parks too: the sweep that is not done does not stop the clock") {
  Night night(bath_plan({30}));
  night.open();
  REQUIRE(night.reach(Phase::approach));
  // The sweep in progress never finishes.
  const Instant then = night.now + 61s;
  auto stepped = step(night.plan, night.run, Event{then, Tick{}});
  CHECK(phase(stepped.run) == Phase::parked);
}

TEST_CASE("Two readings beyond a limit park, one does not unless it is far beyond") {
  const bool far = GENERATE(false, true);
  Night night(bath_plan({30}));
  int hot_readings = 0;
  night.read = [&](std::size_t channel, Instant at, double t_c) {
    double value = t_c;
    if (channel == 0 && hot_readings > 0) {
      --hot_readings;
      value = far ? 131 : 126;
    }
    return ChannelReading{channel, at, value, std::nullopt, ""};
  };
  night.open();
  REQUIRE(night.reach(Phase::approach));
  hot_readings = 1;
  night.pass(20s);
  CHECK((phase(night.run) == Phase::parked) == far);
  if (far) return;
  hot_readings = 2;
  night.pass(20s);
  CHECK(phase(night.run) == Phase::parked);
  CHECK(night.find<GuardCrossed>()->guard == "reference_limit");
}

TEST_CASE("The profile's limit for items is a guard besides the card's") {
  Plan plan = bath_plan({100});
  plan.guards.item_highest_c = 80;
  Night night(plan);
  night.open();
  night.pass(2h);
  CHECK(phase(night.run) == Phase::parked);
  CHECK(night.find<GuardCrossed>()->guard == "item_limit");
}

TEST_CASE("A heater that is on and does not heat parks; a slow one that does heat goes on") {
  const bool dead = GENERATE(true, false);
  Night night(bath_plan({60}));
  night.time_constant_s = dead ? 1e9 : 3000;
  night.plan.plateaus[0].approach_limit.within = 10h;
  night.open();
  night.pass(15min);
  if (dead) {
    CHECK(phase(night.run) == Phase::parked);
    CHECK(night.find<GuardCrossed>()->guard == "not_heating");
  } else {
    CHECK(phase(night.run) == Phase::approach);
  }
}

TEST_CASE("Cooling down slowly is not a dead heater") {
  Night night(bath_plan({-30}));
  night.time_constant_s = 20000;
  night.plan.plateaus[0].approach_limit.within = 10h;
  night.open();
  night.pass(1h);
  CHECK(phase(night.run) == Phase::approach);
}

TEST_CASE("With two references both must answer") {
  Plan plan = bath_plan({30});
  plan.channels.insert(plan.channels.begin() + 1, plan.channels[0]);
  plan.channels[1].name = "r2";
  Night night(plan);
  bool broken = false;
  night.read = [&](std::size_t channel, Instant at, double t_c) {
    return broken && channel == 1 ? faulted(channel, at)
                                  : ChannelReading{channel, at, t_c + (channel == 1 ? 0.02 : 0), std::nullopt, ""};
  };
  night.open();
  REQUIRE(night.reach(Phase::settle));
  CHECK(*night.run.reference_c == Approx(night.source_c[0] + 0.01).margin(0.05));
  broken = true;
  night.pass(2min);
  CHECK(phase(night.run) == Phase::parked);
}
