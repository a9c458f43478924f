// The simulated heat source: setpoint, output, and its own thermometer.
//
// [SOURce:]TEMPerature:SPOint <number|MINimum|MAXimum|DEFault>, its query (also with MIN, MAX, DEF),
// OUTPut[:STATe] <boolean>, its query, MEASure:TEMPerature?. A setpoint outside its limits is refused with
// -222 and changes nothing. *RST: output off, setpoint back to the default (ambient, or the nearest limit).
#pragma once

#include "drivers/sim/instrument.hpp"

namespace nightwell::sim {

class SimulatedSource final : public Instrument {
 public:
  SimulatedSource(const SourceConfig& config, World& world);
  void set_fault(const FaultOrder& order, bool active, double now_s) override;

 protected:
  double measure(Quantity quantity, int channel, double at_s) override;
  void reset(double now_s) override;
  void power_on(const FaultOrder& order, double now_s) override;

 private:
  [[nodiscard]] Answer set_setpoint(const scpi::Unit& unit);
  [[nodiscard]] Answer ask_setpoint(const scpi::Unit& unit) const;
  [[nodiscard]] Answer set_output(const scpi::Unit& unit);
  [[nodiscard]] std::optional<double> named_setpoint(const std::string& word) const;

  Plant& plant_;
  double default_c_;
  bool sensor_open_ = false;
  std::optional<double> stuck_c_;  // the indication is frozen; the controller is not
  double drift_k_per_h_ = 0, drift_from_s_ = 0;
};

}  // namespace nightwell::sim
