#include "cli/plan_text.hpp"

#include <catch2/catch.hpp>
#include <chrono>
#include <sstream>

#include "journal/wording.hpp"
#include "support/text.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using cli::plan_text;
using nightwell::tests::holds;

namespace {

Plan cold_store() {
  Plan plan;
  plan.profile = "cold-store";
  plan.bench = "bench-2";
  plan.job = "seed-bank\x1b[2J";
  plan.scanners.resize(1);
  plan.scanners[0].name = "s1";
  plan.scanners[0].driver = "scpi-scanner";
  plan.scanners[0].port = TcpPort{"127.0.0.1", 5025};
  plan.sources.resize(1);
  plan.sources[0].name = "bath";
  plan.sources[0].driver = "scpi-source";
  plan.sources[0].port = PtyPort{"/dev/pts/9"};
  plan.sources[0].lowest_c = -40;
  plan.sources[0].highest_c = 120;
  plan.sources[0].absolute_highest_c = 130;
  plan.channels.resize(1);
  plan.channels[0].name = "r1";
  plan.channels[0].role = Role::reference;
  plan.channels[0].address = 101;
  plan.channels[0].card.serial = "SB-R-1";
  plan.channels[0].card.due = "2027-03-01";
  Plateau plateau;
  plateau.setpoint_c = -20;
  plateau.settle.window = std::chrono::minutes(10);
  plateau.settle.largest_drift_k = 0.01;
  plateau.settle.largest_spread_k = 0.02;
  for (PhaseLimit* limit : {&plateau.approach_limit, &plateau.settle_limit, &plateau.capture_limit})
    limit->within = std::chrono::hours(1);
  plateau.settle_limit.otherwise = LimitPolicy::skip;
  plan.plateaus = {plateau};
  plan.cooldown.limit.within = std::chrono::minutes(30);
  plan.cooldown.leave_between_low_c = 5;
  plan.cooldown.leave_between_high_c = 40;
  return plan;
}

}  // namespace

TEST_CASE("the plan for people: plateaus, channels, instruments, limits, time") {
  const std::string text = plan_text(cold_store());
  CHECK(holds(text, "profile cold-store, bench bench-2, job seed-bank\\x1b[2J\n"));
  CHECK(holds(text, "1        -20 °C    bath    ±0.5 K  10 min 0 s  0.01 K  0.02 K  5 mirrored"));
  CHECK(holds(text, "1 h 0 min, else skip"));
  CHECK(holds(text, "r1       reference  SB-R-1"));
  CHECK(holds(text, "bath        scpi-source   pty /dev/pts/9\n"));
  CHECK(holds(text, "bath    -40 °C to 120 °C  130 °C       20 °C\n"));
  CHECK(holds(text, "cool down to 20 °C, safe to leave between 5 °C and 40 °C"));
  CHECK(holds(text, "at most 3 h 30 min"));
}

TEST_CASE("plateaus with the same limits share a line of them, and an ordinary plan fits a terminal of 80 columns") {
  Plan plan = cold_store();
  plan.plateaus.resize(4, plan.plateaus[0]);
  plan.plateaus[2].capture_limit.within = std::chrono::hours(2);
  plan.channels[0].card.type = "a platinum reference of 100 ohm with a long name";
  const std::string text = plan_text(plan);
  CHECK(holds(text, "1 to 2    1 h 0 min, else park  1 h 0 min, else skip  1 h 0 min, else park\n"));
  CHECK(holds(text, "3         1 h 0 min, else park  1 h 0 min, else skip  2 h 0 min, else park\n"));
  CHECK(holds(text, "4         1 h 0 min, else park"));
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    CAPTURE(line);
    CHECK(journal::width(line) <= 80);
  }
}

TEST_CASE("a survey has no plateaus; accepted overdue references are named") {
  Plan plan = cold_store();
  plan.plateaus.clear();
  plan.survey = Survey{std::chrono::seconds(30), std::chrono::minutes(5), 23, 2};
  plan.accepted_overdue = {"SB-R-1"};
  const std::string text = plan_text(plan);
  CHECK_FALSE(holds(text, "PLATEAU"));
  CHECK(holds(text, "Survey: every 30 s for 5 min 0 s\n"));
  CHECK(holds(text, "Accepted: reference SB-R-1 is past its due date\n"));
}
