#include "drivers/sim/scanner.hpp"

namespace nightwell::sim {
namespace {

using scpi::Code;

constexpr double stray_v = 1e-6;  // what a voltmeter sees across a passive resistor
constexpr double stray_a = 1e-9;

// "DEF", "MIN", "MAX", "AUTO" or a number.
Code check_range(const std::string& parameter) {
  for (const char* word : {"DEFault", "MINimum", "MAXimum", "AUTO"})
    if (scpi::is_word(parameter, word)) return Code::none;
  const auto value = scpi::number(parameter);
  const Code* code = std::get_if<Code>(&value);
  return code == nullptr ? Code::none : *code;
}

}  // namespace

SimulatedScanner::SimulatedScanner(const ScannerConfig& config, World& world)
    : Instrument(config.identity, config.reading_s), config_(config), world_(world) {
  for (int channel = config.first_channel; channel <= config.last_channel; ++channel) faults_[channel] = {};
  add_measurement("MEASure:VOLTage[:DC]?", Quantity::voltage);
  add_measurement("MEASure:FRESistance?", Quantity::resistance);
  add_measurement("MEASure:CURRent[:DC]?", Quantity::current);
  add_measurement("MEASure:TEMPerature?", Quantity::temperature);
}

void SimulatedScanner::add_measurement(std::string_view header, Quantity quantity) {
  add(header, [this, quantity](const scpi::Unit& unit, double) { return begin_measurement(unit, quantity); });
}

Answer SimulatedScanner::begin_measurement(const scpi::Unit& unit, Quantity quantity) const {
  if (const Code code = count_parameters(unit, 1, 3); code != Code::none) return code;
  for (std::size_t i = 0; i + 1 < unit.parameters.size(); ++i)
    if (const Code code = check_range(unit.parameters[i]); code != Code::none) return code;
  auto list = scpi::channel_list(unit.parameters.back());
  if (const Code* code = std::get_if<Code>(&list)) return *code;
  auto& channels = std::get<std::vector<int>>(list);
  for (int channel : channels)
    if (!faults_.contains(channel)) return Code::out_of_range;
  return Measurement{quantity, std::move(channels)};
}

double SimulatedScanner::measure(Quantity quantity, int channel, double at_s) {
  ChannelFaults& faults = faults_.at(channel);
  if (!faults.stuck) return live(quantity, channel, at_s);
  const auto [kept, fresh] = faults.stuck_at.try_emplace(quantity, 0.0);
  if (fresh) kept->second = live(quantity, channel, at_s);
  return kept->second;
}

double SimulatedScanner::live(Quantity quantity, int channel, double at_s) const {
  const auto wired = config_.channels.find(channel);
  const ChannelFaults& faults = faults_.at(channel);
  if (wired == config_.channels.end() || faults.open) return scpi::infinity;
  const std::size_t sensor = *world_.sensor(wired->second);
  const double drift_k = faults.drift_k_per_h * (at_s - faults.drift_from_s) / 3600;
  if (quantity == thermometry::quantity(world_.sensor_config(sensor).model)) {
    const auto value = world_.raw(sensor, at_s, drift_k);
    return value ? *value : scpi::infinity;
  }
  if (quantity == Quantity::temperature) return indicated_c(sensor, at_s, drift_k);
  return of_another_kind(quantity, sensor, at_s);
}

// The instrument works the temperature out itself: with the sensor's model, and for a thermocouple with what
// it believes of its own terminal block, as if the junction were there.
double SimulatedScanner::indicated_c(std::size_t sensor, double at_s, double extra_k) const {
  const auto value = world_.raw(sensor, at_s, extra_k);
  if (!value) return scpi::infinity;
  const auto t_c = thermometry::temperature_c(world_.sensor_config(sensor).model, *value, world_.block_c(config_.name));
  return t_c ? *t_c : scpi::not_a_number;
}

double SimulatedScanner::of_another_kind(Quantity asked, std::size_t sensor, double at_s) const {
  const std::uint64_t stream = hash(config_.name + "/" + world_.sensor_config(sensor).name);
  const Quantity gives = thermometry::quantity(world_.sensor_config(sensor).model);
  const bool passive = gives == Quantity::resistance || gives == Quantity::voltage;
  if (asked == Quantity::voltage && passive) return stray_v * world_.noise(stream, at_s);
  if (asked == Quantity::current && passive) return stray_a * world_.noise(stream, at_s);
  return scpi::infinity;
}

void SimulatedScanner::set_fault(const FaultOrder& order, bool active, double now_s) {
  for (auto& [channel, faults] : faults_) {
    if (order.channel && *order.channel != channel) continue;
    if (order.fault == "open_sensor") faults.open = active;
    if (order.fault == "stuck") {
      faults.stuck = active;
      faults.stuck_at.clear();
    }
    if (order.fault == "drift") {
      faults.drift_k_per_h = active ? order.k_per_h : 0;
      faults.drift_from_s = now_s;
    }
  }
}

}  // namespace nightwell::sim
