// The look at every sensor before the night.
#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace nightwell::tests;

TEST_CASE("A survey names open sensors, wrong types and outliers, and heats nothing") {
  Plan plan = bath_plan({}, 6);
  plan.sources.clear();
  plan.survey = Survey{10s, 60s, 23, 2};
  plan.channels[3].measures = Quantity::resistance;
  plan.channels[3].card.model = thermometry::Platinum{};
  Night night(plan);
  night.read = [](std::size_t channel, Instant at, double) {
    ChannelReading reading{channel, at, 22.0 + 0.1 * static_cast<double>(channel), std::nullopt, ""};
    if (channel == 2) {
      reading.raw.reset();
      reading.fault = ReadingFault{Errc::overload, "beyond range"};
    }
    if (channel == 3) reading.raw = 10000.0;  // a thermistor where a Pt100 should be
    if (channel == 4) reading.raw = 27.0;
    return reading;
  };
  night.open();
  night.pass(5min);
  REQUIRE(night.closed());
  CHECK(night.find<Close>()->ending == Ending::finished);
  CHECK(night.find<Command>() == nullptr);
  const auto findings = night.find<SurveyDone>()->findings;
  REQUIRE(findings.size() == 3);
  CHECK(findings[0].channel == 2);
  CHECK(findings[0].finding == "open");
  CHECK(findings[1].channel == 3);
  CHECK(findings[1].finding == "wrong_type");
  CHECK(findings[2].channel == 4);
  CHECK(findings[2].finding == "outlier");
}

TEST_CASE("A survey can be stopped") {
  Plan plan = bath_plan({}, 2);
  plan.sources.clear();
  plan.survey = Survey{10s, 600s, 23, 2};
  Night night(plan);
  night.open();
  night.pass(30s);
  REQUIRE(allows(night.run, Request::stop));
  night.feed(PersonAsked{Request::stop, "technician", ""});
  CHECK(night.find<Close>()->ending == Ending::stopped);
}
