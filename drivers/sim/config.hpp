// The simulated bench as values, and the JSON that describes it (docs/simulated-bench.md).
//
// Every key is checked: unknown keys, duplicates, wrong types and numbers that are not finite are refused
// with the place where they stand. Temperatures in °C, differences in kelvin, times in seconds of simulated
// time.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "drivers/sim/plant.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::sim {

using InstrumentPort = std::variant<PtyPort, TcpPort>;

struct Junction {
  std::string sensor;             // the junction is where this sensor is; empty: fixed
  std::optional<double> fixed_c;  // an ice point
};

struct SensorConfig {
  std::string name;
  thermometry::SensorModel model;
  std::string in;             // a source, a scanner (its terminal block), or empty: ambient
  bool at_reference = false;  // position in a source; otherwise where the items are
  std::vector<double> lag_s;  // none, one or two first-order lags
  double offset_k = 0;        // true error = offset_k + slope_k_per_k * t_c
  double slope_k_per_k = 0;
  double noise = 0;    // standard deviation, raw unit
  double quantum = 0;  // resolution, raw unit; 0: none
  Junction junction;   // thermocouples
  [[nodiscard]] double error_k(double t_c) const { return offset_k + slope_k_per_k * t_c; }
};

struct SourceConfig {
  std::string name, identity;
  InstrumentPort port;
  std::string kind;
  PlantParameters plant;
  std::string manner = "scpi";  // manner.hpp
  double reading_s = 0;         // how long the instrument takes for its own temperature
};

struct ScannerConfig {
  std::string name, identity;
  InstrumentPort port;
  std::string manner = "scpi";
  double reading_s = 0.25;
  int first_channel = 101, last_channel = 120;
  double block_offset_k = 2.0;          // terminal block above ambient
  double block_daily_k = 0.4;           // amplitude of its swing over a day
  std::map<int, std::string> channels;  // channel: sensor
};

struct ReplayConfig {
  std::string name;
  InstrumentPort port;
  wire_log::WireLog log;
};

// One fault to come. Which fields a fault uses: docs/simulated-bench.md.
struct FaultOrder {
  double at_s = 0;  // not after now: at once
  std::string instrument, fault;
  std::optional<int> channel;
  std::optional<double> for_s;       // then it ends by itself
  std::optional<int> times;          // silent, garbage, delay: so many replies, then it ends
  double delay_wall_s = 0;           // delay
  double k_per_h = 0;                // drift
  bool welded = false;               // runaway: heats with the output off too
  int code = 6;                      // exception: its number
  bool hears = false;                // silent: carries commands out all the same
  std::optional<double> setpoint_c;  // reset: comes up with this
  bool output = false;               // reset: comes up heating
};

struct Config {
  double ambient_c = 21;
  double step_s = 0.25;
  std::vector<double> truth_at_c;
  std::vector<SourceConfig> sources;
  std::vector<ScannerConfig> scanners;
  std::vector<ReplayConfig> replays;
  std::vector<SensorConfig> sensors;
  std::vector<FaultOrder> faults;
};

// `folder` is where relative pty paths start. Errors: bad_input.
[[nodiscard]] Result<Config> parse_config(std::string_view text, const std::filesystem::path& folder);
// Errors: not_found, storage, bad_input. Pty paths are relative to the file's folder.
[[nodiscard]] Result<Config> load_config(const std::filesystem::path& file);
// One fault, as it stands in the file or arrives on the control socket. Errors: bad_input.
[[nodiscard]] Result<FaultOrder> parse_fault(std::string_view text);
// Whether the bench has what the fault names. Errors: bad_input.
[[nodiscard]] Result<void> check_fault(const FaultOrder& order, const Config& config);

}  // namespace nightwell::sim
