#include "drivers/sim/world.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "tests/sim/support.hpp"

using namespace nightwell;
using namespace nightwell::sim;

namespace {

// The world with the bath at a setpoint for three hours.
World settled_world(double setpoint_c) {
  World world(test::bench_config(), 7);
  world.plant("bath").set_setpoint(setpoint_c);
  world.plant("bath").set_output(true);
  world.advance_to(3 * 3600);
  return world;
}

}  // namespace

TEST_CASE("once steady, what a sensor shows differs from where it is by its declared true error") {
  const World world = settled_world(60);
  const std::size_t item = *world.sensor("item");
  const double where_c = world.surroundings_c(item);
  const double shown_c =
      *thermometry::temperature_c(world.sensor_config(item).model, *world.raw(item, 3 * 3600, 0), {});
  CHECK(shown_c - where_c == Approx(0.2 + 0.001 * where_c).margin(0.002));
}

TEST_CASE("item against reference is the error plus the axial difference") {
  World world = settled_world(60);
  const double ref_c =
      *thermometry::temperature_c(thermometry::Platinum{}, *world.raw(*world.sensor("ref"), 3 * 3600, 0), {});
  const double item_c =
      *thermometry::temperature_c(thermometry::Platinum{}, *world.raw(*world.sensor("item"), 3 * 3600, 0), {});
  const PlantParameters& plant = world.plant("bath").parameters();
  const double axial_k = plant.axial_k + plant.axial_k_per_k * (60 - 21);
  CHECK(item_c - ref_c == Approx(0.2 + 0.001 * 60 + axial_k).margin(0.003));
}

TEST_CASE("a thermocouple's emf is relative to where its junction is, and the block's sensor tells where") {
  const World world = settled_world(-20);
  const std::size_t tc = *world.sensor("tc");
  const double block_c =
      *thermometry::temperature_c(thermometry::Platinum{}, *world.raw(*world.sensor("block"), 3 * 3600, 0), {});
  CHECK(block_c == Approx(world.block_c("scan")).margin(1e-6));
  CHECK(block_c > 22);
  const double shown_c =
      *thermometry::temperature_c(world.sensor_config(tc).model, *world.raw(tc, 3 * 3600, 0), block_c);
  CHECK(shown_c - world.surroundings_c(tc) == Approx(-0.3).margin(0.003));
}

TEST_CASE("a sensor in no source sits at ambient, with the channel's noise and resolution") {
  World world(test::bench_config(), 7);
  const std::size_t shelf = *world.sensor("shelf");
  const double ideal = *thermometry::raw_value(thermometry::Platinum{}, 21, {});
  double sum = 0, squares = 0;
  constexpr int readings = 4000;
  for (int i = 0; i < readings; ++i) {
    const double value = *world.raw(shelf, i * 0.25, 0);
    CHECK(value / 0.0001 == Approx(std::round(value / 0.0001)).margin(1e-4));
    sum += value - ideal;
    squares += (value - ideal) * (value - ideal);
  }
  CHECK(sum / readings == Approx(0).margin(0.0001));
  CHECK(std::sqrt(squares / readings) == Approx(0.001).epsilon(0.05));
}

TEST_CASE("sensors lag behind their surroundings") {
  World world(test::bench_config(), 7);
  world.plant("bath").set_setpoint(60);
  world.plant("bath").set_output(true);
  world.advance_to(600);
  const std::size_t item = *world.sensor("item"), ref = *world.sensor("ref");
  CHECK(world.sensor_c(item) < world.surroundings_c(item) - 0.3);
  CHECK(world.sensor_c(ref) < world.surroundings_c(ref) - 0.1);
  CHECK(world.sensor_c(ref) > world.sensor_c(item));
}

TEST_CASE("readings are a function of seed and simulated time, not of how often somebody looked") {
  World often(test::bench_config(), 7), once(test::bench_config(), 7), other(test::bench_config(), 8);
  const std::size_t shelf = *often.sensor("shelf");
  for (int i = 0; i < 100; ++i) {
    often.advance_to(i * 1.7);
    (void)often.raw(shelf, i * 1.7, 0);
  }
  for (World* world : {&often, &once, &other}) world->advance_to(300);
  CHECK(*often.raw(shelf, 300, 0) == *once.raw(shelf, 300, 0));
  CHECK(*other.raw(shelf, 300, 0) != *once.raw(shelf, 300, 0));
}
