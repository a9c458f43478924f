// One heat source as physics: heater, losses, dead time, block, working zone, and the instrument's own
// thermometer and controller.
//
// A value that is stepped by a fixed amount of simulated time; no clock, no input or output. Equal parameters
// and equal calls give equal temperatures, bit for bit.
//
// Method (all powers are divided by the heat capacity and so are kelvin per second):
//   heater    q = clamp(PI(setpoint - indication), -cooling, +heating), 0 with the output off
//   block     d element / dt = q(t - dead time) - (element - ambient) / loss
//             block follows element with the time constant `block_s`
//   zone      reference position = block - tail_share (block - slow) + ripple, where slow follows block with
//   `tail_s`:
//             after a step the zone creeps the last hundredths
//             item position = reference position + axial_k + axial_k_per_k (zone - ambient)
//   own probe indication follows block with `indication_lag_s`, plus `indication_offset_k`; the controller
//   sees it
// The integral stops winding up by back-calculation: it is fed the difference between the power asked and the
// power given. The default gain and integral time were chosen by trial: a step of 20 K overshoots by about
// half a percent.
//
// Temperatures in °C, times in seconds of simulated time.
#pragma once

#include <cstddef>
#include <vector>

namespace nightwell::sim {

struct PlantParameters {
  double lowest_c = -40, highest_c = 120;  // setpoints the instrument takes
  double heating_k_per_min = 2.0;          // at full power, without losses
  double cooling_k_per_min = 1.6;          // likewise; 0: it can only lose heat
  double loss_s = 9000;                    // time constant of the losses to ambient
  double dead_time_s = 6;
  double block_s = 12;
  double tail_share = 0.003;
  double tail_s = 400;
  double axial_k = 0.004;
  double axial_k_per_k = 0.00004;
  double ripple_k = 0.001;  // amplitude
  double ripple_s = 37;     // period
  double indication_offset_k = 0.06;
  double indication_lag_s = 6;
  double gain_per_s = 0;  // controller; 0: from the time constants
  double integral_s = 0;  // likewise
};

[[nodiscard]] PlantParameters bath_parameters();
[[nodiscard]] PlantParameters dry_well_parameters();
[[nodiscard]] PlantParameters furnace_parameters();

class Plant {
 public:
  // Everything starts at ambient, output off.
  Plant(const PlantParameters& parameters, double ambient_c, double step_s);

  void step();  // by step_s

  void set_setpoint(double t_c) { setpoint_c_ = t_c; }
  void set_output(bool on);
  [[nodiscard]] double setpoint_c() const { return setpoint_c_; }
  [[nodiscard]] bool output() const { return output_; }

  [[nodiscard]] double reference_position_c() const { return zone_c_; }
  [[nodiscard]] double item_position_c() const;
  [[nodiscard]] double indication_c() const { return indication_c_ + parameters_.indication_offset_k; }
  [[nodiscard]] const PlantParameters& parameters() const { return parameters_; }

  // Faults of the heater. Runaway is full heating whatever the controller asks; welded, even with the output
  // off.
  void set_heater_dead(bool dead) { heater_dead_ = dead; }
  void set_runaway(bool runaway, bool welded) { runaway_ = runaway, welded_ = welded; }

 private:
  [[nodiscard]] double controlled();  // K/s, one controller step
  [[nodiscard]] double heat();        // K/s after limits and faults
  [[nodiscard]] double delayed(double heat_k_per_s);

  PlantParameters parameters_;
  double ambient_c_, step_s_;
  double heating_k_per_s_, cooling_k_per_s_, gain_per_s_, integral_s_;
  double block_share_, tail_share_, indication_share_;  // of a first-order lag, per step
  std::vector<double> pipe_;                            // heat on its way through the dead time
  std::size_t pipe_at_ = 0;
  std::size_t steps_ = 0;

  double setpoint_c_;
  bool output_ = false;
  double integral_ = 0;
  double element_c_, block_c_, slow_c_, indication_c_, zone_c_;
  bool heater_dead_ = false, runaway_ = false, welded_ = false;
};

// The share by which a first-order lag closes its gap in one step: exact for an input that is constant over
// it.
[[nodiscard]] double lag_share(double step_s, double time_constant_s);

}  // namespace nightwell::sim
