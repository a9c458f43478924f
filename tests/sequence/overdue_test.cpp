// Overdue: said when the documented rule says so, once a phase, and again and again of a person who does not come.
#include "sequence/overdue.hpp"

#include <catch2/catch.hpp>

#include "night.hpp"
#include "sequence/estimate.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

namespace {

// All that was said of a night, looked at every second.
std::vector<Overdue> said_in(Night& night, Duration length) {
  std::vector<Overdue> out;
  OverdueSaid said;
  night.each_second = [&](Night& n) {
    if (auto late = overdue(n.plan, n.run, said, n.now)) out.push_back(std::move(*late));
  };
  night.pass(length);
  return out;
}

}  // namespace

TEST_CASE("A night as it was forecast is never overdue") {
  Night night(bath_plan({30, 60, 90, 30}));
  night.open();
  CHECK(said_in(night, 24h).empty());
  CHECK(night.closed());
}

TEST_CASE("An approach is overdue once, after twice its forecast and 10 minutes") {
  Plan plan = bath_plan({60});
  plan.guards.heating_window = 24h;
  plan.plateaus[0].approach_limit.within = 24h;
  Night night(plan);
  night.time_constant_s = 1e6;  // a bath that hardly gets anywhere
  night.open();
  REQUIRE(night.reach(Phase::approach));
  // 20 to 60 °C at the usual 1.5 K a minute of a bath.
  const Duration expected = from_seconds(40 / 1.5 * 60);
  CHECK(expected_phase(night.plan, night.run) == expected);
  const auto due = overdue_at(night.plan, night.run, {});
  REQUIRE(due);
  CHECK(*due - night.run.phase_since == 2 * expected + 10min);

  const auto said = said_in(night, 10h);
  REQUIRE(said.size() == 1);
  CHECK(said[0].phase == Phase::approach);
  CHECK(said[0].plateau == 0u);
  CHECK(said[0].lasted == 2 * expected + 10min);
  CHECK(said[0].expected == expected);
  CHECK(said[0].text == "approach has lasted 63 min; 26 min were expected");
}

TEST_CASE("A plateau that does not settle is overdue, and the next one is judged by itself") {
  Plan plan = bath_plan({30, 31});
  for (auto& plateau : plan.plateaus) {
    plateau.settle.largest_spread_k = 1e-12;
    plateau.settle_limit = {2h, LimitPolicy::skip};
  }
  Night night(plan);
  night.read = [](std::size_t channel, Instant at, double t_c) {
    return ChannelReading{channel, at, t_c + (at.since_open.count() / 5'000'000 % 2 == 0 ? 0.01 : 0), std::nullopt, ""};
  };
  night.open();
  const auto said = said_in(night, 12h);
  // The second plateau is forecast by how long the first one took: five times as long as usual, at most.
  REQUIRE(said.size() == 2);
  CHECK(said[0].phase == Phase::settle);
  CHECK(said[0].lasted == 2 * *said[0].expected + 10min);
  CHECK(said[0].expected == Duration(2min));
  CHECK(said[1].plateau == 1u);
  CHECK(said[1].expected == Duration(10min));
}

TEST_CASE("Nobody comes: said after 15 minutes, and every hour") {
  Plan plan = bath_plan({30});
  plan.sources[0].attended = true;
  Night night(plan);
  night.open();
  REQUIRE(night.reach(Phase::waiting));
  const auto said = said_in(night, 3h);
  REQUIRE(said.size() == 3);
  CHECK(said[0].lasted == 15min);
  CHECK(said[1].lasted == 75min);
  CHECK(said[2].lasted == 135min);
  CHECK_FALSE(said[0].expected);
  CHECK(said[0].text == "nobody has answered for 15 min");
}

TEST_CASE("A hold that was forgotten is overdue; resumed and held again, it starts anew") {
  Night night(bath_plan({60}));
  night.open();
  REQUIRE(night.reach(Phase::approach));
  night.feed(PersonAsked{Request::hold, "technician", ""});
  CHECK(said_in(night, 20min).size() == 1);
  night.feed(PersonAsked{Request::resume, "technician", ""});
  night.feed(PersonAsked{Request::hold, "technician", ""});
  CHECK(said_in(night, 14min).empty());
  CHECK(said_in(night, 2min).size() == 1);
}

TEST_CASE("Hours that nobody looked at are said once") {
  Plan plan = bath_plan({30});
  plan.sources[0].attended = true;
  Night night(plan);
  night.open();
  REQUIRE(night.reach(Phase::waiting));
  OverdueSaid said;
  CHECK(overdue(night.plan, night.run, said, night.run.phase_since + 5h));
  CHECK_FALSE(overdue(night.plan, night.run, said, night.run.phase_since + 5h));
  CHECK(overdue_at(night.plan, night.run, said) == night.run.phase_since + 15min + 5h);
}
