// What is physically there: sources, sensors, terminal blocks and ambient, integrated together.
//
// The world advances in fixed steps and only when somebody looks, so a bench that nobody asks costs nothing.
// A temperature between two steps is the one of the step before. Commands act from the next step on.
//
// Reproducible: for one configuration and seed, temperatures and readings are a function of the simulated
// times of the commands (noise is a hash of seed, sensor and simulated microsecond, not of how many readings
// were taken). Not reproducible: the simulated time at which a command arrives, because that follows the wall
// clock.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "drivers/sim/config.hpp"

namespace nightwell::sim {

class World {
 public:
  World(const Config& config, std::uint64_t seed);

  // Integrates up to `t_s`. An earlier time changes nothing.
  void advance_to(double t_s);

  [[nodiscard]] Plant& plant(const std::string& source) { return plants_[source_at_.at(source)]; }
  [[nodiscard]] std::optional<std::size_t> sensor(const std::string& name) const;
  [[nodiscard]] const SensorConfig& sensor_config(std::size_t sensor) const { return config_.sensors[sensor]; }

  // The temperature of what surrounds the sensor, and of the sensor itself, now.
  [[nodiscard]] double surroundings_c(std::size_t sensor) const;
  [[nodiscard]] double sensor_c(std::size_t sensor) const { return states_[sensor].stages[1]; }
  [[nodiscard]] double block_c(const std::string& scanner) const;

  // What an ideal instrument with the channel's noise and resolution reads at `t_s` (which the world has
  // reached): volt, ohm, ampere or °C. `extra_k` is added to the sensor's error. Errors: out_of_range of the
  // sensor's model.
  [[nodiscard]] Result<double> raw(std::size_t sensor, double t_s, double extra_k) const;

  // Standard normal, a function of the seed, `stream` and the simulated microsecond.
  [[nodiscard]] double noise(std::uint64_t stream, double t_s) const;

 private:
  enum class Place { ambient, reference, item, block };
  struct SensorState {
    Place place = Place::ambient;
    std::size_t at = 0;  // index of the source or scanner
    double shares[2] = {1, 1};
    double stages[2] = {0, 0};  // temperatures along the lag
    std::uint64_t stream = 0;
    std::optional<std::size_t> junction;
  };
  void step();
  [[nodiscard]] double block_at_c(const ScannerConfig& scanner) const;

  Config config_;
  std::uint64_t seed_;
  std::uint64_t steps_ = 0;
  std::vector<Plant> plants_;
  std::map<std::string, std::size_t> source_at_, sensor_at_;
  std::vector<SensorState> states_;
};

// 64 well-mixed bits of a number (splitmix64, public domain).
[[nodiscard]] std::uint64_t mix(std::uint64_t value);
// FNV-1a of a name.
[[nodiscard]] std::uint64_t hash(const std::string& name);

}  // namespace nightwell::sim
