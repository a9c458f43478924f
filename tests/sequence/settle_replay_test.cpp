// What a replay tells about a log: which test held when, where it became steady, and what restarts it.
#include "sequence/settle_replay.hpp"

#include <catch2/catch.hpp>

using namespace nightwell;
using namespace nightwell::sequence;
using namespace std::chrono_literals;

namespace {

const SettleRule sharp_rule{20s, 0.01, 0.05, std::nullopt};

// A second apart: out of the band until `enter`, then there, exactly.
std::vector<LoggedReading> step_log(int enter, int end) {
  std::vector<LoggedReading> log;
  for (int second = 0; second <= end; ++second)
    log.push_back({static_cast<double>(second), 50, second < enter ? 30.0 : 50.0});
  return log;
}

}  // namespace

TEST_CASE("A step: outside the band, then the window, then steady") {
  const auto found = replay_settle(step_log(10, 60), sharp_rule, 5s, 0.5);
  REQUIRE(found.size() == 1);
  CHECK(found[0].setpoint_c == 50);
  REQUIRE(found[0].held.size() == 2);
  CHECK(found[0].held[0].holding == "outside the band");
  CHECK(found[0].held[0].after_s == 0);
  CHECK(found[0].held[1].holding == "window 0 of 20 s (outside the band)");
  CHECK(found[0].held[1].after_s == 10);
  CHECK(found[0].steady_after_s == 30.0);
  CHECK(found[0].facts.mean_c == 50);
  CHECK(found[0].facts.to.since_open == 30s);
}

TEST_CASE("Leaving the band starts the window afresh") {
  auto log = step_log(10, 60);
  log[25].t_c = 50.6;
  CHECK(replay_settle(log, sharp_rule, 5s, 0.5)[0].steady_after_s == 46.0);
}

TEST_CASE("So does a gap: what happened in it is unknown") {
  auto log = step_log(10, 60);
  log.erase(log.begin() + 20, log.begin() + 28);
  CHECK(replay_settle(log, sharp_rule, 5s, 0.5)[0].steady_after_s == 48.0);
  CHECK(replay_settle(log, sharp_rule, 10s, 0.5)[0].steady_after_s == 30.0);
}

TEST_CASE("A drift that is too large never becomes steady, and the replay says by how much") {
  std::vector<LoggedReading> log;
  for (int second = 0; second <= 100; ++second) log.push_back({static_cast<double>(second), 50, 50 + 0.001 * second});
  const auto found = replay_settle(log, sharp_rule, 5s, 0.5);
  CHECK_FALSE(found[0].steady_after_s);
  CHECK(found[0].held.back().holding == "drift 0.0200 of 0.0100 K");
}

TEST_CASE("Each change of the setpoint is a plateau of its own, also back to an earlier one; no log, no plateau") {
  std::vector<LoggedReading> log;
  for (int second = 0; second < 120; ++second) {
    const double t_c = second / 40 == 1 ? 60 : 50;
    log.push_back({static_cast<double>(second), t_c, t_c});
  }
  const auto found = replay_settle(log, sharp_rule, 5s, 0.5);
  REQUIRE(found.size() == 3);
  CHECK(found[2].setpoint_c == 50);
  CHECK(found[2].begun_s == 80);
  CHECK(found[2].steady_after_s == 20.0);
  CHECK(replay_settle({}, sharp_rule, 5s, 0.5).empty());
}
