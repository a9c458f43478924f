// Whole nights and single steps of the sequencer, on virtual time.
#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

namespace {

std::vector<Phase> phases(const Night& night) {
  std::vector<Phase> out;
  for (const auto& changed : night.all<PhaseChanged>()) out.push_back(changed.phase);
  return out;
}

Night opened(Plan plan) {
  Night night(std::move(plan));
  night.open();
  return night;
}

// Until the run is in this phase, at most six hours.
}  // namespace

TEST_CASE("A night goes through its plateaus and ends with the output off") {
  Night night = opened(bath_plan({30, 60, 30}));
  night.pass(24h);
  REQUIRE(night.closed());
  CHECK(night.find<Close>()->ending == Ending::finished);
  CHECK(phases(night) == std::vector<Phase>{Phase::preflight, Phase::approach, Phase::settle, Phase::capture,
                                            Phase::approach, Phase::settle, Phase::capture, Phase::approach,
                                            Phase::settle, Phase::capture, Phase::cooldown, Phase::finished});
  CHECK_FALSE(night.output[0]);
  const auto closed = night.all<PlateauClosed>();
  REQUIRE(closed.size() == 3);
  for (const auto& plateau : closed) {
    CHECK(plateau.outcome == Outcome::settled);
    CHECK(*plateau.last_sweep - *plateau.first_sweep == 2);
    CHECK(plateau.window->steady);
  }
  // The source is told each setpoint once, then the cooldown's, then off.
  const auto commands = night.all<Command>();
  REQUIRE(commands.size() == 5);
  CHECK(commands[1].target_c == 60);
  CHECK(commands[3].target_c == 20);
  CHECK(commands[3].output);
  CHECK_FALSE(commands[4].output);
}

TEST_CASE("The cooldown keeps the output on until the source is safe to leave") {
  Night night = opened(bath_plan({100}));
  REQUIRE(night.reach(Phase::cooldown));
  CHECK(night.output[0]);
  CHECK(night.source_c[0] > 90);
  night.pass(24h);
  CHECK(night.find<Close>()->ending == Ending::finished);
  CHECK(night.source_c[0] < 40);
}

TEST_CASE("The phase record and the command come before anything is read at the new plateau") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::approach));
  bool told = false;
  for (const auto& action : night.actions) {
    if (std::holds_alternative<Command>(action)) told = true;
    if (const auto* sweep = std::get_if<StartSweep>(&action); sweep != nullptr && sweep->plateau) CHECK(told);
  }
  CHECK(told);
}

TEST_CASE("A capture inside is the last sweeps of the window that proves it") {
  Plan plan = bath_plan({30}, 3);
  plan.plateaus[0].capture = {Placement::inside, ReadingOrder::bracketed, 4, 5s};
  plan.plateaus[0].settle.item_drift_k = 0.02;
  Night night = opened(plan);
  night.pass(24h);
  REQUIRE(night.all<PlateauClosed>().size() == 1);
  const auto closed = night.all<PlateauClosed>().front();
  CHECK(closed.outcome == Outcome::settled);
  CHECK(*closed.last_sweep - *closed.first_sweep == 3);
  std::map<std::uint64_t, StartSweep> sweeps;
  for (const auto& sweep : night.all<StartSweep>()) sweeps[sweep.sweep] = sweep;
  for (auto s = *closed.first_sweep; s <= *closed.last_sweep; ++s) {
    CHECK(sweeps.at(s).purpose == SweepPurpose::window);
    CHECK(sweeps.at(s).order == "bracketed");
    CHECK(sweeps.at(s).visits.size() == 7);
  }
  // No phase of its own: the proof is the capture.
  for (const Phase p : phases(night)) CHECK(p != Phase::capture);
}

TEST_CASE("A slow item holds the plateau up where the rule looks at items, and not where it does not") {
  const auto settled_after = [](std::optional<double> item_drift_k) {
    Plan plan = bath_plan({60}, 2);
    plan.plateaus[0].settle.item_drift_k = item_drift_k;
    plan.plateaus[0].settle_limit.within = 6h;
    Night night(plan);
    double slow_c = 20;
    Instant last;
    night.read = [&](std::size_t channel, Instant at, double t_c) {
      if (channel == 2) {
        slow_c += (t_c - slow_c) * (1 - std::exp(-to_seconds(at - last) / 900));
        last = at;
      }
      return ChannelReading{channel, at, channel == 2 ? slow_c : t_c, std::nullopt, ""};
    };
    night.open();
    night.pass(24h);
    return night.all<PlateauClosed>().at(0).at;
  };
  CHECK(to_seconds(settled_after(0.01) - settled_after(std::nullopt)) > 1800);
}

TEST_CASE("Leaving the band restarts the window, and a capture that loses it is discarded") {
  Night night = opened(bath_plan({30}));
  double push_k = 0;
  night.read = [&](std::size_t channel, Instant at, double t_c) {
    return ChannelReading{channel, at, t_c + push_k, std::nullopt, ""};
  };
  REQUIRE(night.reach(Phase::settle));
  night.pass(30s);
  push_k = 2;
  night.pass(10s);
  const auto* settle = std::get_if<Settle>(&night.run.state);
  REQUIRE(settle != nullptr);
  CHECK(settle->window.facts({}).holding == "reference left the band");
  push_k = 0;
  REQUIRE(night.reach(Phase::capture));
  push_k = 2;
  night.pass(5s);
  CHECK(phase(night.run) == Phase::settle);
  push_k = 0;
  night.pass(24h);
  CHECK(night.all<PlateauClosed>().at(0).outcome == Outcome::settled);
}

TEST_CASE("Each limit of each phase follows its policy") {
  struct Case {
    Phase phase;
    LimitPolicy policy;
    std::optional<Ending> ending;
    std::optional<Outcome> outcome;
  };
  const auto which = GENERATE(Case{Phase::approach, LimitPolicy::park, Ending::parked, std::nullopt},
                              Case{Phase::approach, LimitPolicy::stop, Ending::stopped, std::nullopt},
                              Case{Phase::approach, LimitPolicy::skip, Ending::finished, Outcome::skipped},
                              Case{Phase::approach, LimitPolicy::capture, Ending::finished, Outcome::not_settled},
                              Case{Phase::settle, LimitPolicy::park, Ending::parked, std::nullopt},
                              Case{Phase::settle, LimitPolicy::stop, Ending::stopped, std::nullopt},
                              Case{Phase::settle, LimitPolicy::skip, Ending::finished, Outcome::skipped},
                              Case{Phase::settle, LimitPolicy::capture, Ending::finished, Outcome::not_settled},
                              Case{Phase::capture, LimitPolicy::park, Ending::parked, std::nullopt},
                              Case{Phase::capture, LimitPolicy::stop, Ending::stopped, std::nullopt},
                              Case{Phase::capture, LimitPolicy::skip, Ending::finished, Outcome::skipped});
  Plan plan = bath_plan({30});
  auto& plateau = plan.plateaus[0];
  if (which.phase == Phase::approach) plateau.approach_limit = {20s, which.policy};
  if (which.phase == Phase::settle) {
    plateau.settle.largest_drift_k = 1e-9;
    plateau.settle.largest_spread_k = 1e-9;
    plateau.settle_limit = {300s, which.policy};
  }
  if (which.phase == Phase::capture) {
    plateau.capture.sweeps = 100;
    plateau.capture_limit = {20s, which.policy};
  }
  Night night = opened(plan);
  night.pass(6h);
  if (*which.ending == Ending::parked) {
    CHECK(phase(night.run) == Phase::parked);
    CHECK_FALSE(night.closed());  // not before the park is proved
    night.feed(SourceParked{0, true, "asked", "", false});
  }
  REQUIRE(night.closed());
  CHECK(night.find<Close>()->ending == *which.ending);
  if (which.outcome) {
    REQUIRE(night.all<PlateauClosed>().size() == 1);
    const auto closed = night.all<PlateauClosed>().front();
    CHECK(closed.outcome == *which.outcome);
    CHECK(closed.why.find(std::string(name(which.phase)) + " took more than") != std::string::npos);
    CHECK(closed.first_sweep.has_value() == (*which.outcome == Outcome::not_settled));
  }
}

TEST_CASE("An attended source waits for a person, then goes on alone and asks for the end") {
  Plan plan = bath_plan({30});
  plan.sources[0].attended = true;
  Night night = opened(plan);
  REQUIRE(night.reach(Phase::waiting));
  REQUIRE(night.find<AskPerson>() != nullptr);
  CHECK(night.find<AskPerson>()->text == "set bath to 30.00 °C, then say ready");
  CHECK(night.find<Command>() == nullptr);
  night.pass(30min);
  CHECK(phase(night.run) == Phase::waiting);
  night.target_c[0] = 30;  // the person turns the knob
  night.output[0] = true;
  night.feed(PersonAsked{Request::ready, "technician", ""});
  REQUIRE(night.reach(Phase::cooldown));
  CHECK(night.all<AskPerson>().size() == 2);
  CHECK_FALSE(night.closed());
  night.feed(PersonAsked{Request::ready, "technician", ""});
  CHECK(night.find<Close>()->ending == Ending::finished);
}

TEST_CASE("A source that is not in use does not heat") {
  Plan plan = bath_plan({30, 80, 30});
  plan.sources.push_back(plan.sources[0]);
  plan.sources[1].name = "furnace";
  plan.plateaus[1].source = 1;
  Night night = opened(plan);
  night.each_second = [](Night& n) { CHECK_FALSE((n.output[0] && n.output[1])); };
  night.pass(24h);
  CHECK(night.find<Close>()->ending == Ending::finished);
  CHECK(night.all<PlateauClosed>().size() == 3);
  CHECK_FALSE(night.output[0]);
  CHECK_FALSE(night.output[1]);
}

TEST_CASE("Hold keeps the target for a quarter of an hour, then switches off; resume starts the plateau again") {
  Night night = opened(bath_plan({60}));
  REQUIRE(night.reach(Phase::settle));
  night.feed(PersonAsked{Request::hold, "technician", "door"});
  CHECK(phase(night.run) == Phase::held);
  night.pass(10min);
  CHECK(night.output[0]);
  night.pass(6min);
  CHECK_FALSE(night.output[0]);
  CHECK(phase(night.run) == Phase::held);
  night.feed(PersonAsked{Request::resume, "technician", ""});
  CHECK(phase(night.run) == Phase::approach);
  CHECK(night.output[0]);
  night.pass(24h);
  CHECK(night.find<Close>()->ending == Ending::finished);
}

TEST_CASE("Skip closes the plateau as skipped and goes on") {
  Night night = opened(bath_plan({60, 30}));
  REQUIRE(night.reach(Phase::approach));
  night.feed(PersonAsked{Request::skip, "technician", ""});
  CHECK(plateau(night.run) == std::size_t{1});
  night.pass(24h);
  const auto closed = night.all<PlateauClosed>();
  REQUIRE(closed.size() == 2);
  CHECK(closed[0].outcome == Outcome::skipped);
  CHECK(closed[1].outcome == Outcome::settled);
}

TEST_CASE("Stop cools down first and ends as stopped") {
  Night night = opened(bath_plan({100}));
  REQUIRE(night.reach(Phase::settle));
  night.feed(PersonAsked{Request::stop, "technician", ""});
  CHECK(phase(night.run) == Phase::cooldown);
  CHECK_FALSE(night.closed());
  night.pass(24h);
  CHECK(night.find<Close>()->ending == Ending::stopped);
  CHECK_FALSE(night.output[0]);
}

TEST_CASE("Parking is reachable from every state and nothing but a proved park closes the run") {
  const auto from = GENERATE(Phase::opening, Phase::preflight, Phase::approach, Phase::settle, Phase::capture,
                             Phase::held, Phase::cooldown);
  Night night(bath_plan({30}));
  if (from != Phase::opening) night.open();
  if (from == Phase::held) {
    REQUIRE(night.reach(Phase::approach));
    night.feed(PersonAsked{Request::hold, "technician", ""});
  } else if (from != Phase::opening) {
    REQUIRE(night.reach(from));
  }
  night.feed(Failed{"the test says so"});
  CHECK(phase(night.run) == Phase::parked);
  REQUIRE(night.find<ParkAll>() != nullptr);
  CHECK_FALSE(night.closed());
  CHECK_FALSE(wake_at(night.plan, night.run).has_value());
  for (const Request request :
       {Request::hold, Request::resume, Request::skip, Request::stop, Request::park, Request::ready})
    CHECK_FALSE(allows(night.run, request));
  night.feed(SourceParked{0, false, "asked", "output still on", false});
  CHECK_FALSE(night.closed());
  night.feed(SourceParked{0, true, "asked", "", false});
  REQUIRE(night.closed());
  CHECK(night.find<Close>()->ending == Ending::parked);
}

TEST_CASE("A source parked by its guardian parks the run") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::settle));
  night.feed(SourceParked{0, true, "lease_ended", "", false});
  CHECK(phase(night.run) == Phase::parked);
  CHECK(night.find<Close>()->ending == Ending::parked);
}

TEST_CASE("Why its guardian parked the source is told in the guardian's own sentence") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::approach));
  night.feed(SourceParked{0, true, "found_on", "the output reads on: somebody else switched it on", false});
  REQUIRE(night.find<Close>() != nullptr);
  CHECK(night.find<Close>()->why ==
        "bath was parked by its guardian: the output reads on: somebody else switched it on");
}

TEST_CASE("Requests that make no sense change nothing") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::approach));
  CHECK(night.feed(PersonAsked{Request::resume, "technician", ""}).empty());
  CHECK(night.feed(PersonAsked{Request::ready, "technician", ""}).empty());
  CHECK(phase(night.run) == Phase::approach);
}

TEST_CASE("A sweep that nobody asked for changes nothing") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::approach));
  CHECK(night.feed(SweepFinished{999999, night.now, {}}).empty());
}

TEST_CASE("A tick before it is due changes nothing") {
  Night night = opened(bath_plan({30}));
  REQUIRE(night.reach(Phase::settle));
  while (night.run.sweeping) night.pass(1s);
  const auto wake = wake_at(night.plan, night.run);
  REQUIRE(wake);
  if (night.now < *wake) CHECK(night.feed(Tick{}).empty());
}
