// Whatever happens in whatever order: a guardian that has begun to park never heats again.
//
// Random events, seeded; a failure prints the seed, and NIGHTWELL_SEED runs that one again.
#include <catch2/catch.hpp>
#include <charconv>
#include <cstdlib>
#include <cstring>
#include <random>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::guardian;
using nightwell::guardian::test::Night;

namespace {

class RandomNight {
 public:
  explicit RandomNight(unsigned seed) : random_(seed) {}

  void run(int events) {
    night_.happen(Tick{});
    check_actions(false, Tick{});
    for (int i = 0; i < events; ++i) {
      const bool before = latched();
      const Event event = next();
      night_.happen(event);
      check_actions(before, event);
      check_state();
    }
  }

  int times_on() const { return times_on_; }
  int times_proved() const { return times_proved_; }

 private:
  bool chance(int percent) { return std::uniform_int_distribution<int>(1, 100)(random_) <= percent; }
  int pick(int n) { return std::uniform_int_distribution<int>(0, n - 1)(random_); }
  double any(double low, double high) { return std::uniform_real_distribution<double>(low, high)(random_); }

  bool latched() const { return night_.in<Parking>() || night_.in<Latched>() || night_.in<Left>(); }

  Ticket ticket() {
    if (chance(97)) return night_.state.ticket;
    return static_cast<Ticket>(pick(static_cast<int>(night_.state.ticket) + 3));
  }
  Error error() { return Error{static_cast<Errc>(pick(static_cast<int>(Errc::unexpected) + 1)), "x", "", ""}; }

  // A source that obeys mostly, and then does not.
  double target() { return chance(95) ? told_c_ : any(-50, 700); }
  bool output() { return chance(95) ? told_on_ : chance(50); }
  Seen seen() {
    Seen seen;
    if (chance(50)) seen.output = output();
    if (seen.output && chance(50)) seen.target_c = target();
    return seen;
  }

  Event result() {
    switch (night_.state.awaited) {
      case Talk::identify:
        if (chance(80)) return Identified{ticket(), chance(97) ? "source" : "another"};
        return CommandFailed{ticket(), error()};
      case Talk::set_target:
      case Talk::set_output:
        if (chance(85)) return CommandDone{ticket()};
        return CommandFailed{ticket(), error()};
      case Talk::read_back:
        if (chance(90)) return ReadBack{ticket(), target(), chance(97) ? any(-30, 100) : any(-300, 900), output()};
        return ReadFailed{ticket(), error(), seen()};
      case Talk::none: break;
    }
    return Tick{};
  }

  Event next() {
    if (chance(60)) {
      night_.pass(any(0, 0.3));
      return result();
    }
    night_.pass(chance(95) ? any(0, 3) : any(0, 60));
    if (chance(50)) return Tick{};
    if (chance(85)) {
      const double target_c = chance(80) ? 20.0 * pick(5) : any(-60, 200);
      return LeaseRequested{target_c, chance(80), chance(80) ? 130 : any(-60, 200),
                            chance(95) ? from_seconds(30) : from_seconds(any(-10, 100))};
    }
    switch (pick(24)) {
      case 0: return DaemonGone{};
      case 1: return StopRequested{"SIGTERM"};
      case 2: return MalformedRequest{"x"};
      case 3: return HostSlept{from_seconds(5)};
      case 4: return Broken{"x"};
      case 5: return ParkRequested{"x"};
      case 6: return CommandDone{ticket()};
      case 7: return ReadBack{ticket(), target(), 20, output()};
      default: return Tick{};
    }
  }

  void check_actions(bool latched_before, const Event& event) {
    int conversations = 0;
    for (const Action& action : night_.actions) {
      if (const auto* on = std::get_if<SetOutput>(&action)) {
        ++conversations;
        if (on->on) {
          ++times_on_;
          REQUIRE_FALSE(latched_before);
          REQUIRE_FALSE(latched());
          REQUIRE(night_.in<Holding>());
          REQUIRE(std::get<Holding>(night_.state.phase).lease.output);
          REQUIRE(night_.now < std::get<Holding>(night_.state.phase).lease.ends);
        }
        told_on_ = on->on;
      } else if (const auto* target = std::get_if<SetTarget>(&action)) {
        ++conversations;
        REQUIRE(target->target_c >= night_.limits.lowest_c);
        REQUIRE(target->target_c <= night_.limits.highest_c);
        if (latched_before || latched()) REQUIRE(target->target_c == night_.limits.safe_c);
        told_c_ = target->target_c;
      } else if (std::holds_alternative<Identify>(action) || std::holds_alternative<ReadBackNow>(action)) {
        ++conversations;
      } else if (const auto* say = std::get_if<Say>(&action)) {
        if (latched_before) REQUIRE_FALSE(std::holds_alternative<Accepted>(say->said));
        if (const auto* parked = std::get_if<Parked>(&say->said); parked && parked->confirmed) {
          ++times_proved_;
          REQUIRE(latched_before);
          check_proof(event);
        }
      }
    }
    // Entering the park may replace a command of the same step; nothing else sends two.
    REQUIRE(conversations <= (latched() && !latched_before ? 2 : 1));
    if (latched_before) REQUIRE(latched());
  }

  // A park is never called proved but by a read-back that shows the output off (or when it was proved before).
  void check_proof(const Event& event) {
    const auto* read = std::get_if<ReadBack>(&event);
    const auto* failed = std::get_if<ReadFailed>(&event);
    const bool shows_off = (read && !read->output) || (failed && failed->seen.output == false);
    REQUIRE((shows_off || std::holds_alternative<ParkRequested>(event)));
  }

  // It never falls asleep: unless it has left, either an answer or a tick is awaited.
  void check_state() {
    if (night_.in<Left>()) return;
    REQUIRE((night_.state.awaited != Talk::none || next_tick(night_.limits, night_.state)));
  }

  std::mt19937 random_;
  Night night_;
  double told_c_ = 20;
  bool told_on_ = false;
  int times_on_ = 0;
  int times_proved_ = 0;
};

// A source that works: whatever went before, a healthy line always ends in a proved park and the end.
void ends_well(unsigned seed) {
  std::mt19937 random(seed);
  Night night;
  night.to_heating();
  night.pass(std::uniform_real_distribution<double>(0, 11)(random));
  double target_c = 80;
  bool on = true;
  night.happen(DaemonGone{});
  for (int i = 0; i < 2000 && !night.in<Left>(); ++i) {
    const bool healthy = i > 60 || std::uniform_int_distribution<int>(0, 1)(random) == 0;
    if (const auto told = night.did<SetOutput>(); told && healthy) on = told->on;
    if (const auto told = night.did<SetTarget>(); told && healthy) target_c = told->target_c;
    switch (night.state.awaited) {
      case Talk::identify: healthy ? night.identified() : night.command_fails(); break;
      case Talk::set_target:
      case Talk::set_output: healthy ? night.done() : night.command_fails(); break;
      case Talk::read_back: healthy ? night.reads(target_c, 60, on) : night.read_fails(); break;
      case Talk::none: night.tick_after(1); break;
    }
  }
  REQUIRE(night.in<Left>());
  REQUIRE(std::get<Left>(night.state.phase).code == 0);
  REQUIRE_FALSE(on);
  REQUIRE(target_c == night.limits.safe_c);
}

}  // namespace

TEST_CASE("After a park has begun nothing heats, in any order of events", "[property]") {
  unsigned first = 1;
  unsigned last = 1000;
  if (const char* seed = std::getenv("NIGHTWELL_SEED")) {
    std::from_chars(seed, seed + std::strlen(seed), first);
    last = first;
  }
  int times_on = 0;
  int times_proved = 0;
  for (unsigned seed = first; seed <= last; ++seed) {
    INFO("NIGHTWELL_SEED=" << seed);
    RandomNight night(seed);
    night.run(400);
    times_on += night.times_on();
    times_proved += night.times_proved();
  }
  // The nights must be worth something: heat was on and parks were proved in many of them.
  if (first != last) {
    CHECK(times_on > 500);
    CHECK(times_proved > 300);
  }
}

TEST_CASE("With a line that comes back, a daemon's death always ends in a proved park", "[property]") {
  for (unsigned seed = 1; seed <= 500; ++seed) {
    INFO(seed);
    ends_well(seed);
  }
}
