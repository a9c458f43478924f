// The same list of events always gives the same run: what restart and post-mortem stand on.
#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

TEST_CASE("Folding a night's events again gives the same actions, one by one") {
  Plan plan = bath_plan({30, 60}, 3);
  plan.plateaus[1].capture = {Placement::inside, ReadingOrder::mirrored, 3, 5s};
  Night night(plan);
  night.open();
  night.each_second = [](Night& n) {
    if (n.now.since_open == 700s) n.feed(PersonAsked{Request::hold, "technician", ""});
    if (n.now.since_open == 900s) n.feed(PersonAsked{Request::resume, "technician", ""});
  };
  night.pass(24h);
  REQUIRE(night.closed());

  Run run = begin(plan);
  std::size_t next = 0;
  for (const auto& event : night.events) {
    auto stepped = step(plan, std::move(run), event);
    run = std::move(stepped.run);
    for (const auto& action : stepped.actions) {
      REQUIRE(next < night.actions.size());
      REQUIRE(action.index() == night.actions[next].index());
      if (const auto* closed = std::get_if<PlateauClosed>(&action)) {
        const auto& before = std::get<PlateauClosed>(night.actions[next]);
        CHECK(closed->at == before.at);
        CHECK(closed->first_sweep == before.first_sweep);
        CHECK(closed->window->drift_k == before.window->drift_k);
      }
      ++next;
    }
  }
  CHECK(next == night.actions.size());
}

TEST_CASE("Ticks that decided nothing may be left out of the list") {
  Night night(bath_plan({30}, 2));
  night.open();
  night.pass(24h);
  REQUIRE(night.closed());
  Run run = begin(night.plan);
  std::size_t actions = 0;
  for (const auto& event : night.events) {
    auto stepped = step(night.plan, run, event);
    const bool idle_tick = std::holds_alternative<Tick>(event.what) && stepped.actions.empty();
    if (idle_tick) continue;  // as the journal does: the state before it goes on
    run = std::move(stepped.run);
    actions += stepped.actions.size();
  }
  CHECK(actions == night.actions.size());
  CHECK(phase(run) == Phase::finished);
}
