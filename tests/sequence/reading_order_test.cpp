// The orders of readings, written out.
#include "sequence/reading_order.hpp"

#include <catch2/catch.hpp>

#include "support/plans.hpp"

using namespace nightwell::sequence;
using namespace nightwell::tests;

namespace {

std::string words(const Plan& plan, const std::vector<std::size_t>& visits) {
  std::string out;
  for (const std::size_t v : visits) out += (out.empty() ? "" : " ") + plan.channels[v].name;
  return out;
}

Plan two_references() {
  Plan plan = bath_plan({30}, 3);
  plan.channels.insert(plan.channels.begin() + 1, plan.channels[0]);
  plan.channels[1].name = "r2";
  return plan;
}

}  // namespace

TEST_CASE("Orders with one reference") {
  const Plan plan = bath_plan({30}, 3);
  CHECK(words(plan, visits(plan, ReadingOrder::straight)) == "r1 i1 i2 i3");
  CHECK(words(plan, visits(plan, ReadingOrder::mirrored)) == "r1 i1 i2 i3 i3 i2 i1 r1");
  CHECK(words(plan, visits(plan, ReadingOrder::bracketed)) == "r1 i1 r1 i2 r1 i3 r1");
  CHECK(words(plan, reference_visits(plan)) == "r1");
}

TEST_CASE("Orders with two references: one opens a pass, the other closes it") {
  const Plan plan = two_references();
  CHECK(words(plan, visits(plan, ReadingOrder::straight)) == "r1 i1 i2 i3 r2");
  CHECK(words(plan, visits(plan, ReadingOrder::mirrored)) == "r1 i1 i2 i3 r2 r2 i3 i2 i1 r1");
  CHECK(words(plan, visits(plan, ReadingOrder::bracketed)) == "r1 i1 r2 i2 r1 i3 r2");
}

TEST_CASE("Junction channels open a sweep, and close a symmetric one") {
  Plan plan = bath_plan({30}, 2);
  Channel junction = plan.channels[0];
  junction.name = "j1";
  junction.role = Role::junction;
  plan.channels.push_back(junction);
  plan.channels[1].junction = JunctionChannel{3};
  plan.channels[2].junction = JunctionChannel{3};
  CHECK(words(plan, visits(plan, ReadingOrder::straight)) == "j1 r1 i1 i2");
  CHECK(words(plan, visits(plan, ReadingOrder::mirrored)) == "j1 r1 i1 i2 i2 i1 r1 j1");
  CHECK(words(plan, reference_visits(plan)) == "r1");
}
