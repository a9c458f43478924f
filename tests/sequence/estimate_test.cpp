// The forecast: sane, never backwards without a reason, done at the end.
#include "sequence/estimate.hpp"

#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

TEST_CASE("Progress grows from nothing to all and the forecast comes true near the end") {
  Night night(bath_plan({30, 60, 90, 30}));
  night.open();
  double forecast_s = 0;
  night.each_second = [&](Night& n) {
    const auto p = progress(n.plan, n.run, n.now);
    CHECK(p.done >= 0);
    CHECK(p.done <= 1);
    if (n.run.closed.size() == 3 && forecast_s == 0) forecast_s = to_seconds(n.now.since_open + p.left);
  };
  night.pass(24h);
  const double ended_s = to_seconds(night.now.since_open);
  CHECK(progress(night.plan, night.run, night.now).done == 1);
  CHECK(forecast_s > 0.5 * ended_s);
  CHECK(forecast_s < 2 * ended_s);
}

TEST_CASE("A run that was parked had come as far as its plateaus that closed") {
  Night night(bath_plan({30, 60, 90, 30}));
  night.open();
  night.each_second = [&](Night& n) {
    if (n.run.closed.size() == 3 && phase(n.run) == Phase::approach) n.feed(Failed{"the test says so"});
  };
  night.pass(24h);
  REQUIRE(phase(night.run) == Phase::parked);
  CHECK(progress(night.plan, night.run, night.now).done == 0.75);
  CHECK(progress(night.plan, night.run, night.now).left == Duration{0});
}
