#include "drivers/sim/source.hpp"

#include <cmath>

namespace nightwell::sim {
namespace {

using scpi::Code;
using scpi::Unit;

constexpr double resolution_k = 0.001;  // of setpoint and indication

double rounded(double t_c) {
  return std::round(t_c / resolution_k) * resolution_k;
}

}  // namespace

SimulatedSource::SimulatedSource(const SourceConfig& config, World& world)
    : Instrument(config.identity, config.reading_s), plant_(world.plant(config.name)), default_c_(plant_.setpoint_c()) {
  add("[SOURce]:TEMPerature:SPOint", [this](const Unit& unit, double) { return set_setpoint(unit); });
  add("[SOURce]:TEMPerature:SPOint?", [this](const Unit& unit, double) { return ask_setpoint(unit); });
  add("OUTPut[:STATe]", [this](const Unit& unit, double) { return set_output(unit); });
  add("OUTPut[:STATe]?", [this](const Unit& unit, double) -> Answer {
    if (const Code code = count_parameters(unit, 0, 0); code != Code::none) return code;
    return std::string(plant_.output() ? "1" : "0");
  });
  add("MEASure:TEMPerature?", [](const Unit& unit, double) -> Answer {
    if (const Code code = count_parameters(unit, 0, 0); code != Code::none) return code;
    return Measurement{Quantity::temperature, {0}};
  });
}

std::optional<double> SimulatedSource::named_setpoint(const std::string& word) const {
  if (scpi::is_word(word, "MINimum")) return plant_.parameters().lowest_c;
  if (scpi::is_word(word, "MAXimum")) return plant_.parameters().highest_c;
  if (scpi::is_word(word, "DEFault")) return default_c_;
  return std::nullopt;
}

Answer SimulatedSource::set_setpoint(const Unit& unit) {
  if (const Code code = count_parameters(unit, 1, 1); code != Code::none) return code;
  std::optional<double> t_c = named_setpoint(unit.parameters.front());
  if (!t_c) {
    const auto value = scpi::number(unit.parameters.front());
    if (const Code* code = std::get_if<Code>(&value)) return *code;
    t_c = std::get<double>(value);
  }
  if (*t_c < plant_.parameters().lowest_c || *t_c > plant_.parameters().highest_c) return Code::out_of_range;
  plant_.set_setpoint(rounded(*t_c));
  return {};
}

Answer SimulatedSource::ask_setpoint(const Unit& unit) const {
  if (const Code code = count_parameters(unit, 0, 1); code != Code::none) return code;
  if (unit.parameters.empty()) return scpi::format(plant_.setpoint_c());
  const std::optional<double> named = named_setpoint(unit.parameters.front());
  if (!named) return Code::illegal_parameter;
  return scpi::format(*named);
}

Answer SimulatedSource::set_output(const Unit& unit) {
  if (const Code code = count_parameters(unit, 1, 1); code != Code::none) return code;
  const auto value = scpi::boolean(unit.parameters.front());
  if (const Code* code = std::get_if<Code>(&value)) return *code;
  plant_.set_output(std::get<bool>(value));
  return {};
}

double SimulatedSource::measure(Quantity, int, double at_s) {
  if (sensor_open_) return scpi::not_a_number;
  if (stuck_c_) return *stuck_c_;
  return rounded(plant_.indication_c() + drift_k_per_h_ * (at_s - drift_from_s_) / 3600);
}

void SimulatedSource::reset(double) {
  plant_.set_output(false);
  plant_.set_setpoint(default_c_);
}

void SimulatedSource::power_on(const FaultOrder& order, double now_s) {
  reset(now_s);
  if (order.setpoint_c) plant_.set_setpoint(*order.setpoint_c);
  plant_.set_output(order.output);
}

void SimulatedSource::set_fault(const FaultOrder& order, bool active, double now_s) {
  if (order.fault == "heater_dead") plant_.set_heater_dead(active);
  if (order.fault == "open_sensor") sensor_open_ = active;
  if (order.fault == "runaway") plant_.set_runaway(active, order.welded);
  if (order.fault == "stuck") {
    stuck_c_.reset();
    if (active) stuck_c_ = measure(Quantity::temperature, 0, now_s);
  }
  if (order.fault == "drift") {
    drift_k_per_h_ = active ? order.k_per_h : 0;
    drift_from_s_ = now_s;
  }
}

}  // namespace nightwell::sim
