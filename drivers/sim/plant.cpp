#include "drivers/sim/plant.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightwell::sim {
namespace {

// The tracking time of the back-calculation, as a share of the integral time.
constexpr double tracking_share = 0.1;

}  // namespace

PlantParameters bath_parameters() {
  return {};
}

PlantParameters dry_well_parameters() {
  PlantParameters p;
  p.lowest_c = -20, p.highest_c = 150;
  p.heating_k_per_min = 9, p.cooling_k_per_min = 5;
  p.loss_s = 4000, p.dead_time_s = 4, p.block_s = 15;
  p.tail_share = 0.006, p.tail_s = 300;
  p.axial_k = 0.01, p.axial_k_per_k = 0.0005;
  p.ripple_k = 0.003, p.ripple_s = 23;
  p.indication_offset_k = -0.12, p.indication_lag_s = 5;
  return p;
}

PlantParameters furnace_parameters() {
  PlantParameters p;
  p.lowest_c = 100, p.highest_c = 1200;
  p.heating_k_per_min = 15, p.cooling_k_per_min = 0;
  p.loss_s = 12000, p.dead_time_s = 15, p.block_s = 60;
  p.tail_share = 0.004, p.tail_s = 600;
  p.axial_k = 0.1, p.axial_k_per_k = 0.0006;
  p.ripple_k = 0.03, p.ripple_s = 61;
  p.indication_offset_k = 1.2, p.indication_lag_s = 15;
  return p;
}

double lag_share(double step_s, double time_constant_s) {
  return time_constant_s <= 0 ? 1.0 : -std::expm1(-step_s / time_constant_s);
}

Plant::Plant(const PlantParameters& parameters, double ambient_c, double step_s)
    : parameters_(parameters),
      ambient_c_(ambient_c),
      step_s_(step_s),
      heating_k_per_s_(parameters.heating_k_per_min / 60),
      cooling_k_per_s_(parameters.cooling_k_per_min / 60),
      block_share_(lag_share(step_s, parameters.block_s)),
      tail_share_(lag_share(step_s, parameters.tail_s)),
      indication_share_(lag_share(step_s, parameters.indication_lag_s)),
      setpoint_c_(std::clamp(ambient_c, parameters.lowest_c, parameters.highest_c)),
      element_c_(ambient_c),
      block_c_(ambient_c),
      slow_c_(ambient_c),
      indication_c_(ambient_c),
      zone_c_(ambient_c) {
  // Everything between the heater and the indication counts as delay.
  const double delay_s = parameters.dead_time_s + parameters.block_s + parameters.indication_lag_s + step_s;
  gain_per_s_ = parameters.gain_per_s > 0 ? parameters.gain_per_s : 1 / (3 * delay_s);
  integral_s_ = parameters.integral_s > 0 ? parameters.integral_s : 6.5 * delay_s;
  pipe_.assign(static_cast<std::size_t>(std::llround(parameters.dead_time_s / step_s)) + 1, 0.0);
}

void Plant::set_output(bool on) {
  if (on && !output_) integral_ = 0;
  output_ = on;
}

double Plant::item_position_c() const {
  return zone_c_ + parameters_.axial_k + parameters_.axial_k_per_k * (zone_c_ - ambient_c_);
}

double Plant::controlled() {
  const double error_k = setpoint_c_ - indication_c();
  const double asked = gain_per_s_ * error_k + integral_;
  const double given = std::clamp(asked, -cooling_k_per_s_, heating_k_per_s_);
  integral_ += step_s_ * (gain_per_s_ * error_k / integral_s_ + (given - asked) / (tracking_share * integral_s_));
  return given;
}

double Plant::heat() {
  double heat_k_per_s = output_ ? controlled() : 0;
  if (runaway_ && (output_ || welded_)) heat_k_per_s = heating_k_per_s_;
  if (heater_dead_) heat_k_per_s = std::min(heat_k_per_s, 0.0);
  return heat_k_per_s;
}

double Plant::delayed(double heat_k_per_s) {
  pipe_[pipe_at_] = heat_k_per_s;
  pipe_at_ = (pipe_at_ + 1) % pipe_.size();
  return pipe_[pipe_at_];
}

void Plant::step() {
  const double heat_k_per_s = delayed(heat());
  element_c_ += step_s_ * (heat_k_per_s - (element_c_ - ambient_c_) / parameters_.loss_s);
  block_c_ += block_share_ * (element_c_ - block_c_);
  slow_c_ += tail_share_ * (block_c_ - slow_c_);
  indication_c_ += indication_share_ * (block_c_ - indication_c_);
  ++steps_;
  // Two periods whose ratio is irrational: the ripple never repeats.
  const double phase =
      2 * std::numbers::pi * static_cast<double>(steps_) * step_s_ / std::max(parameters_.ripple_s, step_s_);
  const double ripple_k = parameters_.ripple_k * (0.6 * std::sin(phase) + 0.4 * std::sin(phase * std::numbers::phi));
  zone_c_ = block_c_ - parameters_.tail_share * (block_c_ - slow_c_) + ripple_k;
}

}  // namespace nightwell::sim
