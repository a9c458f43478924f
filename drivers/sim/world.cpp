#include "drivers/sim/world.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightwell::sim {
namespace {

constexpr double day_s = 86400;

// (0, 1]: never zero, so that its logarithm is finite.
double unit_interval(std::uint64_t bits) {
  return (static_cast<double>(bits >> 11) + 1) * 0x1p-53;
}

}  // namespace

std::uint64_t mix(std::uint64_t value) {
  value += 0x9e3779b97f4a7c15;
  value = (value ^ (value >> 30)) * 0xbf58476d1ce4e5b9;
  value = (value ^ (value >> 27)) * 0x94d049bb133111eb;
  return value ^ (value >> 31);
}

std::uint64_t hash(const std::string& name) {
  std::uint64_t value = 0xcbf29ce484222325;
  for (char c : name) value = (value ^ static_cast<unsigned char>(c)) * 0x100000001b3;
  return value;
}

World::World(const Config& config, std::uint64_t seed) : config_(config), seed_(seed) {
  for (const SourceConfig& source : config_.sources) {
    source_at_[source.name] = plants_.size();
    plants_.emplace_back(source.plant, config_.ambient_c, config_.step_s);
  }
  for (std::size_t i = 0; i < config_.sensors.size(); ++i) sensor_at_[config_.sensors[i].name] = i;
  for (const SensorConfig& sensor : config_.sensors) {
    SensorState state;
    const auto is_here = [&](const ScannerConfig& scanner) { return scanner.name == sensor.in; };
    if (const auto found = source_at_.find(sensor.in); found != source_at_.end()) {
      state.place = sensor.at_reference ? Place::reference : Place::item;
      state.at = found->second;
    } else if (!sensor.in.empty()) {
      const auto scanner = std::find_if(config_.scanners.begin(), config_.scanners.end(), is_here);
      state.place = Place::block;
      state.at = static_cast<std::size_t>(scanner - config_.scanners.begin());
    }
    for (std::size_t lag = 0; lag < sensor.lag_s.size(); ++lag)
      state.shares[lag] = lag_share(config_.step_s, sensor.lag_s[lag]);
    state.stream = hash(sensor.name);
    if (!sensor.junction.sensor.empty()) state.junction = sensor_at_.at(sensor.junction.sensor);
    states_.push_back(state);
  }
  for (std::size_t i = 0; i < states_.size(); ++i) states_[i].stages[0] = states_[i].stages[1] = surroundings_c(i);
}

void World::advance_to(double t_s) {
  const double wanted = std::floor(t_s / config_.step_s + 1e-9);
  while (static_cast<double>(steps_) < wanted) step();
}

void World::step() {
  ++steps_;
  for (Plant& plant : plants_) plant.step();
  for (std::size_t i = 0; i < states_.size(); ++i) {
    SensorState& state = states_[i];
    state.stages[0] += state.shares[0] * (surroundings_c(i) - state.stages[0]);
    state.stages[1] += state.shares[1] * (state.stages[0] - state.stages[1]);
  }
}

std::optional<std::size_t> World::sensor(const std::string& name) const {
  const auto found = sensor_at_.find(name);
  if (found == sensor_at_.end()) return std::nullopt;
  return found->second;
}

double World::surroundings_c(std::size_t sensor) const {
  const SensorState& state = states_[sensor];
  switch (state.place) {
    case Place::ambient: return config_.ambient_c;
    case Place::reference: return plants_[state.at].reference_position_c();
    case Place::item: return plants_[state.at].item_position_c();
    case Place::block: return block_at_c(config_.scanners[state.at]);
  }
  return config_.ambient_c;
}

double World::block_at_c(const ScannerConfig& scanner) const {
  const double t_s = static_cast<double>(steps_) * config_.step_s;
  return config_.ambient_c + scanner.block_offset_k +
         scanner.block_daily_k * std::sin(2 * std::numbers::pi * t_s / day_s);
}

double World::block_c(const std::string& scanner) const {
  for (const ScannerConfig& one : config_.scanners)
    if (one.name == scanner) return block_at_c(one);
  return config_.ambient_c;
}

Result<double> World::raw(std::size_t sensor, double t_s, double extra_k) const {
  const SensorConfig& config = config_.sensors[sensor];
  const SensorState& state = states_[sensor];
  std::optional<double> junction_c = config.junction.fixed_c;
  if (state.junction) junction_c = surroundings_c(*state.junction);
  const double true_c = sensor_c(sensor);
  const auto ideal = thermometry::raw_value(config.model, true_c + config.error_k(true_c) + extra_k, junction_c);
  if (!ideal) return ideal;
  double value = *ideal + config.noise * noise(state.stream, t_s);
  if (config.quantum > 0) value = std::round(value / config.quantum) * config.quantum;
  return value;
}

double World::noise(std::uint64_t stream, double t_s) const {
  const auto at_us = static_cast<std::uint64_t>(std::llround(t_s * 1e6));
  const std::uint64_t bits = mix(mix(seed_ ^ stream) ^ at_us);
  // Box and Muller's transformation.
  const double radius = std::sqrt(-2 * std::log(unit_interval(bits)));
  return radius * std::cos(2 * std::numbers::pi * unit_interval(mix(bits)));
}

}  // namespace nightwell::sim
