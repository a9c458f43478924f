#include "drivers/sim/plant.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwell::sim;

namespace {

constexpr double step_s = 0.25;
constexpr double ambient_c = 21;

struct Settling {
  double settled_s = 0;    // since when it has been within 10 mK of its end
  double overshoot_k = 0;  // beyond its end
};

// Runs to a setpoint for four hours. The controller follows its own probe, so the zone ends beside the setpoint by
// that probe's offset.
Settling settle(Plant& plant, double setpoint_c) {
  const double from_c = plant.reference_position_c();
  const double end_c = setpoint_c - plant.parameters().indication_offset_k;
  const double direction = setpoint_c > from_c ? 1 : -1;
  plant.set_setpoint(setpoint_c);
  plant.set_output(true);
  Settling out;
  for (double t_s = 0; t_s < 4 * 3600; t_s += step_s) {
    plant.step();
    const double beyond_k = direction * (plant.reference_position_c() - end_c);
    out.overshoot_k = std::max(out.overshoot_k, beyond_k);
    if (std::abs(beyond_k) > 0.01) out.settled_s = t_s;
  }
  return out;
}

// What is under way when a source without cooling stops heating: near ambient nothing takes it back.
double unstoppable_k(const PlantParameters& p) {
  if (p.cooling_k_per_min > 0) return 0;
  return p.heating_k_per_min / 60 * (p.dead_time_s + p.block_s + p.indication_lag_s);
}

void run(Plant& plant, double for_s) {
  for (double t_s = 0; t_s < for_s; t_s += step_s) plant.step();
}

}  // namespace

TEST_CASE("a bath's step of 20 K settles within 10 mK in 20 to 40 minutes and overshoots a little") {
  Plant plant(bath_parameters(), ambient_c, step_s);
  (void)settle(plant, 15);
  for (double setpoint_c : {35.0, 55.0, 35.0, 15.0, -5.0}) {
    const Settling found = settle(plant, setpoint_c);
    INFO("setpoint " << setpoint_c);
    CHECK(found.settled_s > 15 * 60);
    CHECK(found.settled_s < 40 * 60);
    CHECK(found.overshoot_k > 0.05);
    CHECK(found.overshoot_k < 0.5);
  }
}

TEST_CASE("every kind of source reaches the ends of its own range") {
  for (const PlantParameters& parameters : {bath_parameters(), dry_well_parameters(), furnace_parameters()}) {
    Plant plant(parameters, ambient_c, step_s);
    for (double setpoint_c : {parameters.lowest_c + 5, parameters.highest_c - 5}) {
      const Settling found = settle(plant, setpoint_c);
      INFO("setpoint " << setpoint_c);
      CHECK(found.overshoot_k < 0.02 * std::abs(setpoint_c - ambient_c) + 0.5 + unstoppable_k(parameters));
      CHECK(plant.reference_position_c() ==
            Approx(setpoint_c - parameters.indication_offset_k).margin(2 * parameters.ripple_k + 0.05));
    }
  }
}

TEST_CASE("items sit in another place than the reference") {
  Plant plant(bath_parameters(), ambient_c, step_s);
  (void)settle(plant, 71);
  const PlantParameters p = bath_parameters();
  CHECK(plant.item_position_c() - plant.reference_position_c() ==
        Approx(p.axial_k + p.axial_k_per_k * 50).margin(1e-4));
}

TEST_CASE("equal commands give equal temperatures to the last bit") {
  Plant one(bath_parameters(), ambient_c, step_s), other(bath_parameters(), ambient_c, step_s);
  (void)settle(one, 35);
  (void)settle(other, 35);
  CHECK(one.reference_position_c() == other.reference_position_c());
}

TEST_CASE("with the output off a source drifts to ambient") {
  Plant plant(bath_parameters(), ambient_c, step_s);
  (void)settle(plant, 60);
  plant.set_output(false);
  run(plant, 9000);
  CHECK(plant.reference_position_c() < 40);
  run(plant, 20 * 9000);
  CHECK(plant.reference_position_c() == Approx(ambient_c).margin(0.01));
}

TEST_CASE("a dead heater cools and never heats") {
  Plant plant(bath_parameters(), ambient_c, step_s);
  plant.set_heater_dead(true);
  plant.set_output(true);
  plant.set_setpoint(60);
  run(plant, 3600);
  CHECK(plant.reference_position_c() < ambient_c + 0.01);
  plant.set_setpoint(0);
  run(plant, 3600);
  CHECK(plant.reference_position_c() < 1);
}

TEST_CASE("a runaway heats past the setpoint; only a welded one heats with the output off") {
  for (const bool welded : {false, true}) {
    Plant plant(bath_parameters(), ambient_c, step_s);
    plant.set_output(true);
    plant.set_setpoint(30);
    plant.set_runaway(true, welded);
    run(plant, 1200);
    const double hot_c = plant.reference_position_c();
    CHECK(hot_c > 50);
    plant.set_output(false);
    run(plant, 1200);
    CHECK((plant.reference_position_c() > hot_c) == welded);
  }
}
