// The guardian's rules, one by one: a state, an event, the actions.
#include "guardian/guard.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <limits>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::guardian;
using nightwell::guardian::test::cold_store_limits;
using nightwell::guardian::test::Night;

namespace {
constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double endless = std::numeric_limits<double>::infinity();
}  // namespace

TEST_CASE("The first traffic is the identity, then a read-back; nothing is told", "[opening]") {
  Night night;
  night.happen(Tick{});
  CHECK(night.did<Identify>());
  CHECK(night.told_nothing());
  night.identified("dry-well 7");
  CHECK(night.did<ReadBackNow>());
  CHECK(night.told_nothing());
  night.reads(25, 22.5, false);
  REQUIRE(night.said<Opened>());
  CHECK(night.said<Opened>()->identity == "dry-well 7");
  CHECK(night.said<Opened>()->status.target_c == 25);
  CHECK(night.said<Opened>()->status.temperature_c == 22.5);
  CHECK_FALSE(night.said<Opened>()->status.output);
  CHECK(night.in<Idle>());
  CHECK(night.told_nothing());
}

TEST_CASE("A source that does not answer at first is asked again, and says why", "[opening]") {
  Night night;
  night.happen(Tick{});
  night.command_fails(Errc::port_busy);
  REQUIRE(night.said<Fault>());
  CHECK(night.said<Fault>()->error.code == Errc::port_busy);
  night.tick_after(0.5);
  CHECK_FALSE(night.did<Identify>());
  night.tick_after(0.5);
  CHECK(night.did<Identify>());
  night.command_fails(Errc::wrong_identity);
  CHECK(night.told_nothing());
  night.tick_after(1);
  night.identified();
  night.read_fails();
  CHECK(night.in<Opening>());
  night.tick_after(1);
  CHECK(night.did<Identify>());
}

TEST_CASE("H18: a source found on is switched off and stays parked", "[opening]") {
  Night night;
  night.to_reading();
  night.reads(600, 580, true);
  CHECK(night.said<Opened>());
  CHECK(night.parks_for(Cause::found_on));
  CHECK(night.tells_off());
}

TEST_CASE("H18: a source that somebody switches on without a lease is switched off", "[idle]") {
  Night night;
  night.to_idle();
  night.tick_after(5);
  SECTION("seen whole") {
    night.reads(50, 22, true);
  }
  SECTION("seen though the read-back failed later") {
    Seen seen;
    seen.output = true;
    night.read_fails(seen);
  }
  CHECK(night.parks_for(Cause::found_on));
  CHECK(night.tells_off());
}

TEST_CASE("A lease: target, read back, output on, read back", "[lease]") {
  Night night;
  night.to_idle();
  night.lease(80);
  REQUIRE(night.said<Accepted>());
  CHECK(night.said<Accepted>()->target_c == 80);
  CHECK(night.said<Accepted>()->lease_s == 30);
  REQUIRE(night.did<SetTarget>());
  CHECK(night.did<SetTarget>()->target_c == 80);
  CHECK_FALSE(night.did<SetOutput>());
  night.done();
  CHECK(night.did<ReadBackNow>());
  night.reads(80.005, 22, false);
  REQUIRE(night.did<SetOutput>());
  CHECK(night.did<SetOutput>()->on);
  night.done();
  CHECK(night.did<ReadBackNow>());
  night.reads(80.005, 22, true);
  CHECK(night.told_nothing());
  REQUIRE(night.said<Status>());
  CHECK(night.said<Status>()->output);
  CHECK(night.said<Status>()->lease_left_s == 30);
}

TEST_CASE("A renewal tells the source nothing and moves the end", "[lease]") {
  Night night;
  night.to_heating();
  night.pass(4);
  night.lease(80);
  CHECK(night.said<Accepted>());
  CHECK(night.told_nothing());
  night.tick_after(1);
  night.reads(80, 23, true);
  CHECK(night.said<Status>()->lease_left_s == Approx(29));
}

TEST_CASE("A lease with the output off switches off before it sets the target", "[lease]") {
  Night night;
  night.to_heating();
  night.lease(20, false);
  CHECK(night.tells_off());
  CHECK_FALSE(night.did<SetTarget>());
  night.done();
  night.reads(80, 40, false);
  REQUIRE(night.did<SetTarget>());
  CHECK(night.did<SetTarget>()->target_c == 20);
}

TEST_CASE("A lease that changes while the source is being told is told from the start", "[lease]") {
  Night night;
  night.to_idle();
  night.lease(80);
  night.done();
  night.reads(80, 22, false);
  REQUIRE(night.did<SetOutput>());
  const Ticket on = night.state.ticket;
  night.lease(80, false);  // "on" may still take hold: it must be told off
  CHECK(night.tells_off());
  night.happen(CommandDone{on});  // the older conversation ends and changes nothing
  CHECK(night.actions.empty());
  night.done();
  night.reads(80, 22, false);
  CHECK(night.told_nothing());
  CHECK(night.in<Holding>());
}

TEST_CASE("H1: leases outside any limit are refused and tell the source nothing", "[lease]") {
  struct Case {
    const char* why;
    double target_c, highest_c, lease_s;
  };
  const Case cases[] = {{"far above the source's setpoints: a typo", 6000, 6000, 30},
                        {"just above the highest setpoint", 120.001, 130, 30},
                        {"below the lowest setpoint", -40.001, 130, 30},
                        {"highest above the absolute limit", 80, 130.001, 30},
                        {"target above its own highest", 80, 79.999, 30},
                        {"no target", not_a_number, 130, 30},
                        {"endless target", endless, 130, 30},
                        {"no highest", 80, not_a_number, 30},
                        {"endless highest", 80, endless, 30},
                        {"longer than the longest lease", 80, 130, 30.001},
                        {"no time", 80, 130, 0},
                        {"time that has passed", 80, 130, -5}};
  for (const Case& c : cases) {
    INFO(c.why);
    Night idle;
    idle.to_idle();
    idle.lease(c.target_c, true, c.highest_c, c.lease_s);
    CHECK(idle.said<Refused>());
    CHECK(idle.told_nothing());
    CHECK(idle.in<Idle>());
    Night heating;
    heating.to_heating();
    heating.pass(10);
    heating.lease(c.target_c, true, c.highest_c, c.lease_s);
    CHECK(heating.said<Refused>());
    CHECK(heating.told_nothing());
    heating.tick_after(0);
    heating.reads(80, 24, true);
    CHECK(heating.said<Status>()->lease_left_s == Approx(20));  // the one held goes on, and ends as it was to
  }
}

TEST_CASE("Leases on the limits are granted", "[lease]") {
  for (const double target_c : {-40.0, 120.0}) {
    Night night;
    night.to_idle();
    night.lease(target_c);
    CHECK(night.said<Accepted>());
  }
}

TEST_CASE("No lease before the source has answered, while parking, or after", "[lease]") {
  Night night;
  SECTION("opening") {
    night.happen(Tick{});
  }
  SECTION("parking") {
    night.to_parking();
  }
  SECTION("parked") {
    night.to_latched();
  }
  night.lease(20, false);
  CHECK(night.said<Refused>());
  CHECK(night.told_nothing());
  CHECK_FALSE(night.in<Holding>());
}

TEST_CASE("H2: a lease that is not renewed parks at its end, whatever the source is doing", "[park]") {
  const std::function<void(Night&)> ways[] = {[](Night& night) { night.to_heating(); },
                                              [](Night& night) {  // the output off: still a lease
                                                night.to_idle();
                                                night.lease(20, false);
                                                night.done();
                                                night.reads(20, 22, false);
                                              },
                                              [](Night& night) {  // the target is being written
                                                night.to_idle();
                                                night.lease(80);
                                              },
                                              [](Night& night) {  // "on" is being written
                                                night.to_idle();
                                                night.lease(80);
                                                night.done();
                                                night.reads(80, 22, false);
                                              }};
  for (const auto& way : ways) {
    Night night;
    night.limits.stale = from_seconds(1000);
    way(night);
    night.tick_after(29.999);
    CHECK(night.in<Holding>());
    night.tick_after(0.001);
    CHECK(night.parks_for(Cause::lease_ended));
    CHECK(night.tells_off());
  }
}

TEST_CASE("H2: a renewal that comes after the end does not revive the lease", "[park]") {
  Night night;
  night.limits.stale = from_seconds(1000);
  night.to_heating();
  night.pass(30);
  night.lease(80);
  CHECK(night.in<Parking>());
  CHECK(night.tells_off());
  CHECK(night.said<Refused>());
  CHECK_FALSE(night.said<Accepted>());
}

TEST_CASE("The next tick is due at the lease's end, and before at the next read-back", "[park]") {
  Night night;
  night.limits.stale = from_seconds(1000);
  night.to_heating();
  const Instant begun = night.now;
  CHECK(next_tick(night.limits, night.state) == begun + from_seconds(5));
  night.tick_after(5);  // the read-back is under way and never ends
  CHECK(next_tick(night.limits, night.state) == begun + from_seconds(30));
}

TEST_CASE("H3: too hot twice running, or once by far, parks", "[rules]") {
  Night night;
  night.to_heating(80, 22, 100);
  night.tick_after(5);
  SECTION("on the limit is not above") {
    for (int i = 0; i < 4; ++i) {
      night.reads(80, 100, true);
      night.lease(80, true, 100);
      night.tick_after(5);
    }
    CHECK(night.in<Holding>());
  }
  SECTION("two running") {
    night.reads(80, 100.001, true);
    CHECK(night.in<Holding>());
    night.tick_after(5);
    night.reads(80, 100.001, true);
    CHECK(night.parks_for(Cause::too_hot));
    CHECK(night.tells_off());
  }
  SECTION("one, then a good one, then one") {
    for (const double t_c : {101.0, 99.0, 101.0}) {
      night.reads(80, t_c, true);
      night.tick_after(5);
    }
    CHECK(night.in<Holding>());
  }
  SECTION("5 K above is not far") {
    night.reads(80, 105, true);
    CHECK(night.in<Holding>());
  }
  SECTION("more than 5 K above is") {
    night.reads(80, 105.001, true);
    CHECK(night.parks_for(Cause::too_hot));
    CHECK(night.tells_off());
  }
}

TEST_CASE("H3: the absolute limit holds without a lease, and from the very first read-back", "[rules]") {
  Night idle;
  idle.to_idle();
  idle.tick_after(5);
  idle.reads(20, 131, false);
  CHECK(idle.in<Idle>());
  idle.tick_after(5);
  idle.reads(20, 131, false);
  CHECK(idle.parks_for(Cause::too_hot));
  Night opening;
  opening.to_reading();
  opening.reads(20, 136, false);
  CHECK(opening.parks_for(Cause::too_hot));
}

TEST_CASE("H3: a new lease may lower the highest temperature at once", "[rules]") {
  Night night;
  night.to_heating(80, 60);
  night.lease(80, true, 80);
  night.tick_after(5);
  night.reads(80, 86, true);
  CHECK(night.parks_for(Cause::too_hot));
}

TEST_CASE("H13: a confirmed source that reads otherwise parks at once and is not told again", "[rules]") {
  Night night;
  night.to_heating();
  night.tick_after(5);
  SECTION("the setpoint moved: a reboot to an old one") {
    night.reads(600, 23, true);
  }
  SECTION("the setpoint moved by more than the tolerance") {
    night.reads(80.011, 23, true);
  }
  SECTION("the output went off") {
    night.reads(80, 23, false);
  }
  SECTION("seen in a read-back that failed later") {
    Seen seen;
    seen.output = false;
    night.read_fails(seen);
  }
  SECTION("the setpoint seen in a read-back that failed later") {
    Seen seen;
    seen.output = true;
    seen.target_c = 600;
    night.read_fails(seen);
  }
  SECTION("a setpoint that is no number") {
    Seen seen;
    seen.target_c = not_a_number;
    night.read_fails(seen);
  }
  CHECK(night.parks_for(Cause::not_as_told));
  CHECK(night.tells_off());
}

TEST_CASE("H13: within the tolerance is as told", "[rules]") {
  Night night;
  night.to_heating();
  for (const double target_c : {79.9901, 80.0099}) {
    night.tick_after(5);
    night.reads(target_c, 30, true);
  }
  CHECK(night.in<Holding>());
}

TEST_CASE("H13: while one value is written, the other is still watched", "[rules]") {
  Night night;
  night.to_idle();
  night.lease(80);
  night.done();
  night.reads(80, 22, true);  // nobody told it on yet
  CHECK(night.parks_for(Cause::not_as_told));
}

TEST_CASE("H13: a setpoint that is not taken is written three times, then it parks", "[rules]") {
  Night night;
  night.to_idle();
  night.lease(80);
  for (int writes = 1; writes <= 3; ++writes) {
    INFO(writes);
    REQUIRE(night.did<SetTarget>());
    CHECK(night.did<SetTarget>()->target_c == 80);
    SECTION("refused or silent " + std::to_string(writes)) {
      night.command_fails(Errc::refused);
    }
    if (night.state.awaited == Talk::set_target) night.done();
    REQUIRE(night.did<ReadBackNow>());
    night.reads(20, 22, false);
  }
  CHECK(night.parks_for(Cause::not_taken));
  CHECK(night.tells_off());
}

TEST_CASE("H13: an output that is not taken is told three times, then it parks", "[rules]") {
  Night night;
  night.to_idle();
  night.lease(80);
  night.done();
  night.reads(80, 22, false);
  for (int writes = 1; writes <= 3; ++writes) {
    REQUIRE(night.did<SetOutput>());
    CHECK(night.did<SetOutput>()->on);
    night.done();
    night.reads(80, 22, false);
  }
  CHECK(night.parks_for(Cause::not_taken));
}

TEST_CASE("A write that failed on the line but took hold is seen to have taken hold", "[rules]") {
  Night night;
  night.to_idle();
  night.lease(80);
  night.command_fails(Errc::no_answer);
  CHECK(night.did<Identify>());  // the line is in doubt: who is there?
  night.identified();
  CHECK(night.did<ReadBackNow>());
  night.reads(80, 22, false);
  REQUIRE(night.did<SetOutput>());
  CHECK(night.did<SetOutput>()->on);
}

TEST_CASE("H10: no whole read-back for the stale time parks", "[rules]") {
  Night night;
  SECTION("no answer at all while heating") {
    night.to_heating();
    night.tick_after(5);
    night.tick_after(6.999);
    CHECK(night.in<Holding>());
    night.tick_after(0.001);
    CHECK(night.parks_for(Cause::stale));
    CHECK(night.tells_off());
  }
  SECTION("failing read-backs while heating") {
    night.to_heating();
    for (int i = 0; i < 12 && night.in<Holding>(); ++i) {
      night.tick_after(1);
      if (night.state.awaited == Talk::identify) night.identified();
      if (night.state.awaited == Talk::read_back) night.read_fails();
    }
    CHECK(night.in<Parking>());
    CHECK(std::get<Parking>(night.state.phase).cause == Cause::stale);
  }
  SECTION("temperatures that are no number count as no read-back") {
    night.to_heating();
    night.tick_after(5);
    night.reads(80, not_a_number, true);
    CHECK(night.said<Fault>());
    CHECK_FALSE(night.said<Status>());
    night.tick_after(7);
    CHECK(night.parks_for(Cause::stale));
  }
  SECTION("idle: what cannot be seen may be hot") {
    night.to_idle();
    night.tick_after(12);
    CHECK(night.parks_for(Cause::stale));
  }
}

TEST_CASE("H10: a line that comes back in time goes on, after the identity", "[rules]") {
  Night night;
  night.to_heating();
  night.tick_after(5);
  night.read_fails({}, Errc::port_gone);
  CHECK(night.said<Fault>());
  night.tick_after(1);
  CHECK(night.did<Identify>());
  night.command_fails(Errc::port_gone);
  night.tick_after(1);
  CHECK(night.did<Identify>());
  night.identified();
  CHECK(night.did<ReadBackNow>());
  night.reads(80, 25, true);
  CHECK(night.in<Holding>());
}

TEST_CASE("Another instrument on the port parks, and is told nothing", "[rules]") {
  Night night;
  night.to_heating();
  night.tick_after(5);
  night.read_fails({}, Errc::port_gone);
  night.tick_after(1);
  SECTION("the identity differs") {
    night.identified("furnace 9");
  }
  SECTION("the driver says so") {
    night.command_fails(Errc::wrong_identity);
  }
  CHECK(night.parks_for(Cause::other_instrument));
  CHECK(night.told_nothing());
  for (int i = 0; i < 5; ++i) {
    if (night.state.awaited == Talk::identify) night.identified("furnace 9");
    CHECK(night.told_nothing());
    night.tick_after(5);
    CHECK(night.told_nothing());
  }
  night.identified();  // the right one is back
  CHECK(night.tells_off());
}

TEST_CASE("H8: a source that is on, below its target and does not heat parks", "[rules]") {
  Night night;
  night.to_heating(80, 22);
  const auto stay = [&night](double seconds, double t_c) {
    for (double s = 0; s < seconds && night.in<Holding>(); s += 5) {
      night.lease(80);
      night.tick_after(5);
      night.reads(80, t_c, true);
    }
  };
  stay(5, 22);  // the window opens at the first read-back after "on" was proved
  SECTION("no gain") {
    stay(295, 23.9);
    CHECK(night.in<Holding>());
    stay(5, 23.9);
    CHECK(night.parks_for(Cause::not_heating));
    CHECK(night.tells_off());
  }
  SECTION("gain opens a new window") {
    stay(295, 23.9);
    stay(5, 24.0);
    stay(295, 25.0);
    CHECK(night.in<Holding>());
    stay(10, 25.0);
    CHECK(night.in<Parking>());
  }
  SECTION("near the target nothing is asked for") {
    stay(1000, 78.0);
    CHECK(night.in<Holding>());
  }
  SECTION("above the target nothing is asked for") {
    stay(1000, 90.0);
    CHECK(night.in<Holding>());
  }
  SECTION("a new target opens a new window") {
    stay(295, 23.0);
    night.lease(90);
    night.done();
    night.reads(90, 23, true);
    for (int i = 0; i < 59; ++i) {
      night.lease(90);
      night.tick_after(5);
      night.reads(90, 23, true);
    }
    CHECK(night.in<Holding>());
  }
}

TEST_CASE("H5: a rise while the output reads off", "[rules]") {
  Night night;
  const auto rise = [&night](double from_c, double to_c, double target_c) {
    for (double s = 0; s <= 120; s += 5) {
      night.tick_after(5);
      night.reads(target_c, from_c + (to_c - from_c) * s / 120, false);
      if (night.said<Fault>() || night.in<Parking>()) return;
    }
  };
  SECTION("parked: an alarm that says what to do, and the park stands") {
    night.to_latched();
    rise(60, 63, 20);
    REQUIRE(night.said<Fault>());
    CHECK(night.said<Fault>()->error.detail.find("cut the source's power") != std::string::npos);
    CHECK(night.in<Latched>());
    rise(63, 66, 20);
    CHECK(night.said<Fault>());  // and again
  }
  SECTION("parked: 2 K are allowed") {
    night.to_latched();
    rise(60, 61.9, 20);
    CHECK_FALSE(night.said<Fault>());
  }
  SECTION("parked: a cold source may warm to the room") {
    night.to_latched();
    rise(-25, 28, 20);
    CHECK_FALSE(night.said<Fault>());
  }
  SECTION("idle: parks") {
    night.to_idle(60);
    rise(60, 63, 20);
    CHECK(night.said<Fault>());
    CHECK(night.parks_for(Cause::rises_while_off));
  }
  SECTION("a lease with the output off: parks") {
    night.to_idle(60);
    night.lease(20, false);
    night.done();
    night.reads(20, 60, false);
    for (int i = 0; i < 30 && night.in<Holding>(); ++i) {
      night.lease(20, false);
      night.tick_after(5);
      night.reads(20, 60 + 0.2 * i, false);
    }
    CHECK(night.in<Parking>());
    CHECK(std::get<Parking>(night.state.phase).cause == Cause::rises_while_off);
  }
}

TEST_CASE("The host slept: nobody watched, so it parks", "[rules]") {
  Night heating;
  heating.to_heating();
  heating.happen(HostSlept{from_seconds(3)});
  CHECK(heating.parks_for(Cause::host_slept));
  Night idle;
  idle.to_idle();
  idle.happen(HostSlept{from_seconds(3)});
  CHECK(idle.parks_for(Cause::host_slept));
}

TEST_CASE("H23: what is not known parks", "[rules]") {
  Night night;
  SECTION("a message that is no message, heating") {
    night.to_heating();
    night.happen(MalformedRequest{"garbage"});
    CHECK(night.parks_for(Cause::malformed));
  }
  SECTION("a message that is no message, idle") {
    night.to_idle();
    night.happen(MalformedRequest{"garbage"});
    CHECK(night.parks_for(Cause::malformed));
  }
  SECTION("an exception") {
    night.to_heating();
    night.happen(Broken{"out of memory"});
    CHECK(night.parks_for(Cause::unexpected));
  }
  SECTION("a result that was never asked for") {
    night.to_heating();
    night.happen(ReadBack{night.state.ticket + 1, 80, 22, true});
    CHECK(night.parks_for(Cause::unexpected));
  }
  SECTION("a result twice") {
    night.to_heating();
    night.happen(ReadBack{night.state.ticket, 80, 22, true});
    CHECK(night.parks_for(Cause::unexpected));
  }
  SECTION("a result of another kind") {
    night.to_heating();
    night.tick_after(5);
    night.happen(CommandDone{night.state.ticket});
    CHECK(night.parks_for(Cause::unexpected));
  }
  CHECK(night.tells_off());
}

// ---- the off ladder ----

TEST_CASE("The off ladder: off, read back, safe setpoint, read back, said", "[ladder]") {
  Night night;
  night.to_heating();
  night.happen(ParkRequested{"the reference is too warm"});
  REQUIRE(night.said<Parked>());
  CHECK_FALSE(night.said<Parked>()->confirmed);
  CHECK(night.said<Parked>()->cause == "the reference is too warm");
  CHECK(night.said<Parked>()->text == "switching off");
  CHECK(night.tells_off());
  night.done();
  CHECK(night.did<ReadBackNow>());
  night.reads(80, 60, false);
  REQUIRE(night.did<SetTarget>());
  CHECK(night.did<SetTarget>()->target_c == 20);
  CHECK_FALSE(night.said<Parked>());
  night.done();
  night.reads(20, 60, false);
  REQUIRE(night.said<Parked>());
  CHECK(night.said<Parked>()->confirmed);
  CHECK(night.said<Parked>()->cause == "the reference is too warm");
  CHECK(night.said<Parked>()->text == "the output reads off and the setpoint 20 \xC2\xB0\x43");
  CHECK(night.in<Latched>());
  CHECK_FALSE(night.exits());
}

TEST_CASE("Off goes first even where a conversation is under way", "[ladder]") {
  Night night;
  night.to_heating();
  night.tick_after(5);
  REQUIRE(night.state.awaited == Talk::read_back);
  const Ticket reading = night.state.ticket;
  night.happen(ParkRequested{"now"});
  CHECK(night.tells_off());
  night.happen(ReadBack{reading, 80, 500, true});  // old news
  CHECK(night.actions.empty());
  CHECK(night.in<Parking>());
}

TEST_CASE("A ladder that is not proved is climbed again, for ever, and says so each time", "[ladder]") {
  struct Case {
    const char* what;
    std::function<void(Night&)> round;
  };
  const Case cases[] = {{"the source refuses off",
                         [](Night& night) {
                           night.command_fails(Errc::refused);
                           night.reads(80, 60, true);
                           CHECK(night.did<SetTarget>());  // the next rung is tried all the same
                           night.done();
                           night.reads(20, 60, true);
                         }},
                        {"off is accepted and not done",
                         [](Night& night) {
                           night.done();
                           night.reads(80, 60, true);
                           night.done();
                           night.reads(20, 60, true);
                         }},
                        {"the safe setpoint is not taken",
                         [](Night& night) {
                           night.done();
                           night.reads(80, 60, false);
                           night.command_fails(Errc::refused);
                           night.reads(80, 60, false);
                         }},
                        {"silence",
                         [](Night& night) {
                           night.command_fails();
                           night.read_fails();
                           night.command_fails();
                           night.read_fails();
                         }},
                        {"garbage",
                         [](Night& night) {
                           night.command_fails(Errc::garbled);
                           night.reads(not_a_number, not_a_number, false);
                           night.command_fails(Errc::garbled);
                           night.read_fails({}, Errc::garbled);
                         }},
                        {"the last read-back fails",
                         [](Night& night) {
                           night.done();
                           night.reads(80, 60, false);
                           night.done();
                           night.read_fails();
                         }},
                        {"it comes on between the rungs", [](Night& night) {
                           night.done();
                           night.reads(80, 60, false);
                           night.done();
                           night.reads(20, 60, true);
                         }}};
  for (const Case& c : cases) {
    INFO(c.what);
    Night night;
    night.to_parking();
    for (int round = 1; round <= 50; ++round) {
      INFO(round);
      REQUIRE(night.tells_off());
      c.round(night);
      REQUIRE(night.said<Parked>());
      CHECK_FALSE(night.said<Parked>()->confirmed);
      CHECK(night.said<Parked>()->text.find("NOT PROVED OFF") != std::string::npos);
      const double pause_s = to_seconds(*next_tick(night.limits, night.state) - night.now);
      CHECK(pause_s == std::min(round, 5));
      night.tick_after(pause_s);
      if (night.did<Identify>()) night.identified();
    }
    night.climb_well();
    CHECK(night.said<Parked>()->confirmed);
    CHECK(night.in<Latched>());
  }
}

TEST_CASE("A deaf source is still told off; one that never answered is not", "[ladder]") {
  Night known;
  known.to_parking();
  known.command_fails(Errc::port_gone);
  known.read_fails({}, Errc::port_gone);
  known.tick_after(1);
  CHECK(known.did<Identify>());
  known.command_fails(Errc::no_answer);
  CHECK(known.tells_off());
  Night unknown;
  unknown.happen(Tick{});
  unknown.happen(ParkRequested{"now"});
  CHECK(unknown.did<Identify>());
  unknown.command_fails(Errc::no_answer);
  CHECK(unknown.told_nothing());
  CHECK_FALSE(unknown.said<Parked>()->confirmed);
  unknown.tick_after(1);
  unknown.identified();
  CHECK(unknown.tells_off());
}

TEST_CASE("An output that cannot be read is told off again before the setpoint is touched", "[ladder]") {
  Night night;
  night.to_parking();
  night.done();
  night.read_fails();
  CHECK(night.told_nothing());
  CHECK_FALSE(night.said<Parked>()->confirmed);
  night.tick_after(1);
  night.identified();
  CHECK(night.tells_off());
}

TEST_CASE("An unreadable temperature does not hide a proved park", "[ladder]") {
  Night night;
  night.to_parking();
  night.done();
  night.reads(80, 60, false);
  night.done();
  Seen seen;
  seen.target_c = 20;
  seen.output = false;
  night.read_fails(seen, Errc::open_sensor);
  CHECK(night.said<Parked>()->confirmed);
}

TEST_CASE("An exception in the ladder costs a round, no more", "[ladder]") {
  Night night;
  night.to_parking();
  night.happen(Broken{"bad_alloc"});
  CHECK_FALSE(night.said<Parked>()->confirmed);
  night.tick_after(1);
  CHECK(night.tells_off());
  night.climb_well();
  CHECK(night.in<Latched>());
}

TEST_CASE("A parked source that reads on again is parked again", "[latched]") {
  Night night;
  night.to_latched();
  night.tick_after(5);
  CHECK(night.did<ReadBackNow>());
  SECTION("seen whole") {
    night.reads(20, 60, true);
  }
  SECTION("seen though the read-back failed") {
    Seen seen;
    seen.output = true;
    night.read_fails(seen);
  }
  CHECK(night.in<Parking>());
  CHECK(night.tells_off());
  CHECK_FALSE(night.said<Parked>()->confirmed);
  CHECK(night.said<Parked>()->cause == "the test asks");
}

TEST_CASE("A proved park stands though the source is then switched off at the wall", "[latched]") {
  Night night;
  night.to_latched();
  for (int i = 0; i < 100; ++i) {
    night.tick_after(5);
    if (night.state.awaited == Talk::identify) night.command_fails(Errc::port_gone);
    if (night.state.awaited == Talk::read_back) night.read_fails({}, Errc::port_gone);
  }
  CHECK(night.in<Latched>());
  night.happen(DaemonGone{});
  CHECK(night.exits() == 0);
}

TEST_CASE("Asked to park when parked: said again", "[latched]") {
  Night night;
  night.to_latched();
  night.happen(ParkRequested{"again"});
  CHECK(night.said<Parked>()->confirmed);
  CHECK(night.told_nothing());
}

// ---- endings ----

TEST_CASE("The daemon is gone: exactly one park, then the end", "[leaving]") {
  const Event endings[] = {DaemonGone{}, StopRequested{"SIGTERM"}};
  for (const Event& ending : endings) {
    Night heating;
    heating.to_heating();
    heating.happen(ending);
    CHECK(heating.tells_off());
    CHECK_FALSE(heating.exits());
    heating.climb_well();
    CHECK(heating.said<Parked>()->confirmed);
    CHECK(heating.exits() == 0);

    Night latched;
    latched.to_latched();
    latched.happen(ending);
    CHECK(latched.exits() == 0);
    CHECK(latched.told_nothing());

    Night parking;
    parking.to_parking();
    parking.happen(ending);
    CHECK(parking.actions.empty());
    parking.done();
    parking.reads(80, 60, true);  // not proved: goes on
    parking.done();
    parking.reads(20, 60, true);
    CHECK_FALSE(parking.exits());
    for (int i = 0; i < 1000; ++i) {
      parking.tick_after(5);
      CHECK(parking.tells_off());
      parking.done();
      parking.reads(20, 60, true);
      parking.done();
      parking.reads(20, 60, true);
      CHECK_FALSE(parking.exits());
    }
    parking.tick_after(5);
    parking.climb_well();
    CHECK(parking.exits() == 0);
  }
}

TEST_CASE("The daemon is gone before any lease: look, and leave a source that is off alone", "[leaving]") {
  Night night;
  night.to_idle();
  night.happen(DaemonGone{});
  CHECK(night.did<ReadBackNow>());
  CHECK(night.told_nothing());
  SECTION("off") {
    night.reads(50, 22, false);
    CHECK(night.exits() == 0);
    CHECK(night.told_nothing());
  }
  SECTION("off, seen though the temperature cannot be read") {
    Seen seen;
    seen.output = false;
    night.read_fails(seen);
    CHECK(night.exits() == 0);
  }
  SECTION("on") {
    night.reads(50, 22, true);
    CHECK_FALSE(night.exits());
    CHECK(night.tells_off());
    night.climb_well();
    CHECK(night.exits() == 0);
  }
  SECTION("not to be seen") {
    night.read_fails();
    CHECK(night.tells_off());
    night.command_fails();
    night.read_fails();
    CHECK_FALSE(night.exits());
    night.tick_after(1);
    night.identified();
    CHECK(night.tells_off());
  }
}

TEST_CASE("The daemon is gone while the source was never seen: tried for one lease, then given up, loudly",
          "[leaving]") {
  Night night;
  night.happen(Tick{});
  night.command_fails(Errc::port_gone);
  night.happen(DaemonGone{});
  SECTION("it never answers") {
    for (int i = 0; i < 100 && !night.exits(); ++i) {
      CHECK(night.told_nothing());
      if (night.state.awaited == Talk::identify) night.command_fails(Errc::port_gone);
      night.tick_after(1);
    }
    CHECK(night.exits() == 3);
    CHECK(up_s(night.now) == Approx(30));
    CHECK_FALSE(night.said<Parked>()->confirmed);
  }
  SECTION("it answers, and is on") {
    night.identified();
    CHECK(night.did<ReadBackNow>());
    night.reads(600, 580, true);
    CHECK(night.tells_off());
    for (int i = 0; i < 100; ++i) {  // known now: for ever
      night.command_fails(Errc::refused);
      night.reads(600, 580, true);
      night.done();
      night.reads(20, 580, true);
      night.tick_after(5);
    }
    CHECK_FALSE(night.exits());
    night.climb_well();
    CHECK(night.exits() == 0);
  }
}

TEST_CASE("The daemon is gone and the source was heated before: never given up, however long it does not answer",
          "[leaving]") {
  Limits limits = cold_store_limits();
  limits.heated_before = true;
  Night night(limits);
  night.happen(Tick{});
  night.command_fails(Errc::port_gone);
  SECTION("asked to park") {
    night.happen(ParkRequested{"the test asks"});
  }
  SECTION("only left") {}
  night.happen(DaemonGone{});
  for (int i = 0; i < 1000; ++i) {
    CHECK(night.told_nothing());  // nobody knows who would hear it
    if (night.state.awaited == Talk::identify) night.command_fails(Errc::port_gone);
    night.tick_after(5);
  }
  CHECK_FALSE(night.exits());
  night.identified();
  CHECK(night.tells_off());
  night.climb_well();
  CHECK(night.exits() == 0);
}

TEST_CASE("The end is the end", "[leaving]") {
  Night night;
  night.to_latched();
  night.happen(DaemonGone{});
  REQUIRE(night.in<Left>());
  for (const Event& event : {Event(Tick{}), Event(DaemonGone{}), Event(ParkRequested{"x"}),
                             Event(LeaseRequested{80, true, 130, from_seconds(30)}), Event(ReadBack{1, 1, 1, true}),
                             Event(Broken{"x"}), Event(CommandDone{99})}) {
    night.happen(event);
    CHECK(night.actions.empty());
  }
  CHECK_FALSE(next_tick(night.limits, night.state));
}

TEST_CASE("Limits that do not hold together are refused", "[limits]") {
  CHECK(check(cold_store_limits()).ok());
  const std::function<void(Limits&)> spoilers[] = {[](Limits& l) { l.lowest_c = 120; },
                                                   [](Limits& l) { l.highest_c = -41; },
                                                   [](Limits& l) { l.highest_c = 130.001; },
                                                   [](Limits& l) { l.safe_c = -40.001; },
                                                   [](Limits& l) { l.safe_c = 120.001; },
                                                   [](Limits& l) { l.absolute_highest_c = 119.999; },
                                                   [](Limits& l) { l.absolute_highest_c = endless; },
                                                   [](Limits& l) { l.lowest_c = not_a_number; },
                                                   [](Limits& l) { l.safe_c = not_a_number; },
                                                   [](Limits& l) { l.lease = Duration{0}; },
                                                   [](Limits& l) { l.lease = from_seconds(9.9); },
                                                   [](Limits& l) { l.poll = Duration{0}; },
                                                   [](Limits& l) { l.stale = from_seconds(5); },
                                                   [](Limits& l) { l.stale = Duration{-1}; },
                                                   [](Limits& l) { l.heating_window = Duration{0}; },
                                                   [](Limits& l) { l.heating_gain_k = 0; },
                                                   [](Limits& l) { l.heating_gain_k = not_a_number; },
                                                   [](Limits& l) { l.readback_tolerance_k = 0; },
                                                   [](Limits& l) { l.readback_tolerance_k = -1; }};
  for (const auto& spoil : spoilers) {
    Limits limits = cold_store_limits();
    spoil(limits);
    const auto result = check(limits);
    REQUIRE_FALSE(result.ok());
    CHECK(result.error().code == Errc::bad_input);
  }
}
