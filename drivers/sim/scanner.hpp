// The simulated scanner: one channel after another, volts, ohms, amperes and its own idea of a temperature.
//
// MEASure:VOLTage[:DC]? MEASure:FRESistance? MEASure:CURRent[:DC]? MEASure:TEMPerature?, each with an
// optional expected value and resolution (taken and ignored: it ranges by itself) and a channel list. What a
// channel says when asked for what its sensor does not give: no sensor, a sensor beyond its model, or one
// whose wires do not close the circuit asked for: +9.9E37; a temperature that cannot be worked out: +9.91E37;
// volts of a resistor or amperes of anything passive: noise about zero.
#pragma once

#include <map>
#include <string>

#include "drivers/sim/instrument.hpp"

namespace nightwell::sim {

class SimulatedScanner final : public Instrument {
 public:
  SimulatedScanner(const ScannerConfig& config, World& world);
  void set_fault(const FaultOrder& order, bool active, double now_s) override;

 protected:
  double measure(Quantity quantity, int channel, double at_s) override;
  void reset(double) override {}  // every setting is in the command
  void power_on(const FaultOrder&, double) override {}

 private:
  struct ChannelFaults {
    bool open = false;
    bool stuck = false;
    std::map<Quantity, double> stuck_at;  // by what was asked; the first reading after the fault is kept
    double drift_k_per_h = 0, drift_from_s = 0;
  };
  void add_measurement(std::string_view header, Quantity quantity);
  [[nodiscard]] Answer begin_measurement(const scpi::Unit& unit, Quantity quantity) const;
  [[nodiscard]] double live(Quantity quantity, int channel, double at_s) const;
  [[nodiscard]] double indicated_c(std::size_t sensor, double at_s, double extra_k) const;
  [[nodiscard]] double of_another_kind(Quantity asked, std::size_t sensor, double at_s) const;

  ScannerConfig config_;
  World& world_;
  std::map<int, ChannelFaults> faults_;  // every channel the scanner has
};

}  // namespace nightwell::sim
