#include "drivers/sim/config.hpp"

#include <algorithm>
#include <charconv>
#include <fstream>
#include <iterator>

#include "drivers/sim/json_reader.hpp"

namespace nightwell::sim {
namespace {

constexpr std::size_t largest_file = 1 << 20;
constexpr int deepest_nesting = 16;

Error bad(const std::string& what, const std::string& where) {
  return Error{Errc::bad_input, "reading the simulated bench", what, where};
}

// nlohmann keeps the last of two equal keys; here the second is an error.
Result<nlohmann::json> parse_json(std::string_view text) {
  if (text.size() > largest_file) return bad("is larger than 1 MiB", "file");
  std::vector<std::set<std::string>> open_objects;
  std::string twice;
  bool too_deep = false;
  using Event = nlohmann::json::parse_event_t;
  const auto look = [&](int depth, Event event, nlohmann::json& parsed) {
    if (depth > deepest_nesting) too_deep = true;
    if (event == Event::object_start) open_objects.emplace_back();
    if (event == Event::object_end && !open_objects.empty()) open_objects.pop_back();
    if (event == Event::key && !open_objects.back().insert(parsed.get<std::string>()).second)
      twice = parsed.get<std::string>();
    return true;
  };
  nlohmann::json value = nlohmann::json::parse(text, look, false);
  if (value.is_discarded()) return bad("is not JSON", "file");
  if (too_deep) return bad("is nested deeper than 16 levels", "file");
  if (!twice.empty()) return bad("the key \"" + twice + "\" stands twice in one object", "file");
  return value;
}

// ---- sensor models (docs/journal.md)
// --------------------------------------------------------------------------

thermometry::Thermocouple read_thermocouple(JsonReader& json) {
  thermometry::Thermocouple out;
  const auto type = thermometry::thermocouple_type(json.text("type"));
  if (type)
    out.type = *type;
  else
    json.fail("type", "is no thermocouple type");
  out.deviation_uv = json.numbers("deviation_uv");
  return out;
}

thermometry::Platinum read_platinum(JsonReader& json) {
  thermometry::Platinum out;
  out.r0_ohm = json.number("r0_ohm");
  if (out.r0_ohm <= 0) json.fail("r0_ohm", "must be above zero");
  const bool any = json.has("a_per_c") || json.has("b_per_c2") || json.has("c_per_c4");
  if (!any) return out;
  out.a_per_c = json.number("a_per_c");
  out.b_per_c2 = json.number("b_per_c2");
  out.c_per_c4 = json.number("c_per_c4");
  return out;
}

std::optional<thermometry::SprtSubrange> read_subrange(JsonReader& json, const std::string& key) {
  JsonReader inside = json.object(key, false);
  if (!json.has(key)) return std::nullopt;
  thermometry::SprtSubrange out;
  out.number = inside.integer("subrange");
  out.coefficients = inside.numbers("coefficients");
  inside.finish();
  return out;
}

thermometry::Sprt read_sprt(JsonReader& json) {
  thermometry::Sprt out;
  out.r_tpw_ohm = json.number("r_tpw_ohm");
  out.below = read_subrange(json, "below");
  out.above = read_subrange(json, "above");
  return out;
}

thermometry::SensorModel read_thermistor(JsonReader& json) {
  if (json.has("coefficients")) {
    thermometry::ThermistorPolynomial polynomial;
    polynomial.coefficients = json.numbers("coefficients");
    polynomial.low_c = json.number("low_c"), polynomial.high_c = json.number("high_c");
    return polynomial;
  }
  thermometry::Thermistor out;
  out.a = json.number("a"), out.b = json.number("b"), out.c = json.number("c");
  out.low_c = json.number("low_c"), out.high_c = json.number("high_c");
  return out;
}

thermometry::CurrentTransmitter read_transmitter(JsonReader& json) {
  thermometry::CurrentTransmitter out;
  out.low_c = json.number("low_c"), out.high_c = json.number("high_c");
  out.low_a = json.number("low_a"), out.high_a = json.number("high_a");
  return out;
}

thermometry::SensorModel read_model(JsonReader json) {
  thermometry::SensorModel model = thermometry::Indicated{};
  const std::string kind = json.text("kind");
  if (kind == "thermocouple") {
    model = read_thermocouple(json);
  } else if (kind == "platinum") {
    model = read_platinum(json);
  } else if (kind == "sprt") {
    model = read_sprt(json);
  } else if (kind == "thermistor") {
    model = read_thermistor(json);
  } else if (kind == "current_transmitter") {
    model = read_transmitter(json);
  } else if (kind != "indicated") {
    json.fail("kind", "must be thermocouple, platinum, sprt, thermistor, current_transmitter or indicated");
  }
  json.finish();
  return model;
}

// ---- instruments and sensors
// ----------------------------------------------------------------------------------

InstrumentPort read_port(JsonReader json, const std::filesystem::path& folder) {
  const std::string type = json.text("type");
  if (type == "pty") {
    const std::filesystem::path path = json.text("path");
    json.finish();
    return PtyPort{path.is_absolute() ? path.string() : (folder / path).lexically_normal().string()};
  }
  if (type != "tcp") json.fail("type", "must be pty or tcp");
  TcpPort port;
  port.host = json.text("host", "127.0.0.1");
  port.port = json.integer("port");
  if (port.host != "127.0.0.1" && port.host != "localhost")
    json.fail("host", "must be 127.0.0.1: a simulated bench listens to its own machine only");
  if (port.port < 1 || port.port > 65535) json.fail("port", "must be in 1..65535");
  json.finish();
  return port;
}

struct PlantKey {
  const char* key;
  double PlantParameters::*member;
  bool may_be_negative;
};
constexpr PlantKey plant_keys[] = {
    {"lowest_c", &PlantParameters::lowest_c, true},
    {"highest_c", &PlantParameters::highest_c, true},
    {"heating_k_per_min", &PlantParameters::heating_k_per_min, false},
    {"cooling_k_per_min", &PlantParameters::cooling_k_per_min, false},
    {"loss_s", &PlantParameters::loss_s, false},
    {"dead_time_s", &PlantParameters::dead_time_s, false},
    {"block_s", &PlantParameters::block_s, false},
    {"tail_share", &PlantParameters::tail_share, false},
    {"tail_s", &PlantParameters::tail_s, false},
    {"axial_k", &PlantParameters::axial_k, true},
    {"axial_k_per_k", &PlantParameters::axial_k_per_k, true},
    {"ripple_k", &PlantParameters::ripple_k, false},
    {"ripple_s", &PlantParameters::ripple_s, false},
    {"indication_offset_k", &PlantParameters::indication_offset_k, true},
    {"indication_lag_s", &PlantParameters::indication_lag_s, false},
    {"gain_per_s", &PlantParameters::gain_per_s, false},
    {"integral_s", &PlantParameters::integral_s, false},
};

PlantParameters read_plant(JsonReader json, PlantParameters plant) {
  for (const PlantKey& key : plant_keys) {
    double& member = plant.*(key.member);
    member = key.may_be_negative ? json.number(key.key, member) : json.amount(key.key, member);
  }
  if (plant.lowest_c >= plant.highest_c) json.fail("highest_c", "must be above lowest_c");
  if (plant.loss_s <= 0) json.fail("loss_s", "must be above zero");
  if (plant.dead_time_s > 600) json.fail("dead_time_s", "must be at most 600");
  json.finish();
  return plant;
}

std::string identity(const std::string& what, const std::string& name) {
  return "Nightwell,Simulated " + what + "," + name + "," NIGHTWELL_VERSION;
}

SourceConfig read_source(JsonReader json, const std::string& name, const std::filesystem::path& folder) {
  SourceConfig out;
  out.name = name;
  out.kind = json.text("kind");
  PlantParameters kind = bath_parameters();
  if (out.kind == "dry_well")
    kind = dry_well_parameters();
  else if (out.kind == "furnace")
    kind = furnace_parameters();
  else if (out.kind != "bath")
    json.fail("kind", "must be bath, dry_well or furnace");
  out.port = read_port(json.object("port"), folder);
  out.identity = json.text("identity", identity(out.kind == "dry_well" ? "dry-well" : out.kind, name));
  out.manner = json.text("manner", out.manner);
  if (out.manner != "scpi" && out.manner != "terse" && out.manner != "modbus")
    json.fail("manner", "must be scpi, terse or modbus");
  out.reading_s = json.amount("reading_s", 0);
  out.plant = read_plant(json.object("plant", false), kind);
  json.finish();
  return out;
}

constexpr std::size_t largest_wire_log = 65UL << 20;

// Relative to the configuration. What is wrong with it is said with its own line.
ReplayConfig read_replay(JsonReader json, const std::string& name, const std::filesystem::path& folder) {
  ReplayConfig out;
  out.name = name;
  out.port = read_port(json.object("port"), folder);
  const std::filesystem::path file = folder / json.text("log");
  json.finish();
  std::ifstream in(file, std::ios::binary);
  std::ostringstream text;
  text << in.rdbuf();
  if (!in || text.view().size() > largest_wire_log) {
    json.fail("log", "must be a wire log that can be read, at most 65 MiB");
    return out;
  }
  auto log = wire_log::parse(text.view());
  if (log)
    out.log = std::move(log).value();
  else
    json.fail("log", "is no wire log: " + log.error().detail);
  return out;
}

void read_channels(JsonReader json, ScannerConfig& out) {
  for (const std::string& key : json.keys()) {
    int channel = 0;
    const auto [stop, error] = std::from_chars(key.data(), key.data() + key.size(), channel);
    if (error != std::errc{} || stop != key.data() + key.size() || channel < out.first_channel ||
        channel > out.last_channel)
      json.fail(key, "must be a channel number in first_channel..last_channel");
    JsonReader wired = json.object(key);
    out.channels[channel] = wired.text("sensor");
    wired.finish();
  }
}

ScannerConfig read_scanner(JsonReader json, const std::string& name, const std::filesystem::path& folder) {
  ScannerConfig out;
  out.name = name;
  out.identity = json.text("identity", identity("scanner", name));
  out.port = read_port(json.object("port"), folder);
  out.manner = json.text("manner", out.manner);
  if (out.manner != "scpi" && out.manner != "chatty" && out.manner != "polled")
    json.fail("manner", "must be scpi, chatty or polled");
  out.reading_s = json.amount("reading_s", out.reading_s);
  out.first_channel = json.integer("first_channel", out.first_channel);
  out.last_channel = json.integer("last_channel", out.last_channel);
  if (out.first_channel < 0 || out.last_channel < out.first_channel)
    json.fail("last_channel", "must not be below first_channel, and that not below zero");
  JsonReader block = json.object("block", false);
  out.block_offset_k = block.number("offset_k", out.block_offset_k);
  out.block_daily_k = block.number("daily_k", out.block_daily_k);
  block.finish();
  read_channels(json.object("channels"), out);
  json.finish();
  return out;
}

Junction read_junction(JsonReader& json, const nlohmann::json& value) {
  Junction out;
  if (value.contains("junction") && value["junction"].is_string()) {
    out.sensor = json.text("junction");
    return out;
  }
  JsonReader fixed = json.object("junction");
  out.fixed_c = fixed.number("fixed_c");
  fixed.finish();
  return out;
}

SensorConfig read_sensor(JsonReader json, const std::string& name, const nlohmann::json& value) {
  SensorConfig out;
  out.name = name;
  out.model = read_model(json.object("model"));
  out.in = json.text("in", "");
  const std::string position = json.text("position", "item");
  if (position != "reference" && position != "item") json.fail("position", "must be reference or item");
  out.at_reference = position == "reference";
  out.lag_s = json.numbers("lag_s");
  if (out.lag_s.size() > 2) json.fail("lag_s", "must hold at most two time constants");
  if (std::any_of(out.lag_s.begin(), out.lag_s.end(), [](double s) { return s < 0; }))
    json.fail("lag_s", "must not be negative");
  out.offset_k = json.number("offset_k", 0);
  out.slope_k_per_k = json.number("slope_k_per_k", 0);
  out.noise = json.amount("noise", 0);
  out.quantum = json.amount("quantum", 0);
  if (std::holds_alternative<thermometry::Thermocouple>(out.model)) out.junction = read_junction(json, value);
  json.finish();
  return out;
}

const std::vector<std::string>& fault_names() {
  static const std::vector<std::string> names = {"silent", "garbage",     "delay",     "open_sensor", "stuck",
                                                 "drift",  "heater_dead", "runaway",   "reset",       "unplug",
                                                 "clear",  "exception",   "byte_loss", "damage",      "duplicate",
                                                 "split",  "glued",       "no_echo",   "no_prompt"};
  return names;
}

FaultOrder read_fault(JsonReader& json) {
  FaultOrder out;
  out.at_s = json.amount("at_s", 0);
  out.instrument = json.text("instrument");
  out.fault = json.text("fault");
  if (std::find(fault_names().begin(), fault_names().end(), out.fault) == fault_names().end())
    json.fail("fault", "is not one of those that docs/simulated-bench.md lists");
  if (json.has("channel")) out.channel = json.integer("channel");
  if (json.has("for_s")) out.for_s = json.amount("for_s", 0);
  if (json.has("times")) out.times = json.integer("times");
  if (out.times && *out.times < 1) json.fail("times", "must be at least 1");
  out.delay_wall_s = json.amount("delay_wall_s", 0);
  if ((out.fault == "delay" || out.fault == "split") && out.delay_wall_s <= 0)
    json.fail("delay_wall_s", "must be above zero for a delay or a split");
  out.k_per_h = json.number("k_per_h", 0);
  if (out.fault == "drift" && out.k_per_h == 0) json.fail("k_per_h", "must be given for a drift");
  out.code = json.integer("code", out.code);
  if (out.code < 1 || out.code > 11) json.fail("code", "must be 1..11");
  out.welded = json.truth("welded", false);
  out.hears = json.truth("hears", false);
  if (json.has("setpoint_c")) out.setpoint_c = json.number("setpoint_c");
  out.output = json.truth("output", false);
  json.finish();
  return out;
}

// ---- what must fit together
// -----------------------------------------------------------------------------------

std::set<std::string> names_of(const Config& config) {
  std::set<std::string> names;
  for (const SourceConfig& source : config.sources) names.insert(source.name);
  for (const ScannerConfig& scanner : config.scanners) names.insert(scanner.name);
  return names;
}

// A name becomes a file name of its log.
bool is_plain_name(const std::string& name) {
  return !name.empty() && name.size() <= 64 && name.front() != '.' &&
         std::all_of(name.begin(), name.end(), [](unsigned char c) {
           return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '-' || c == '_' ||
                  c == '.';
         });
}

std::string port_text(const InstrumentPort& port) {
  return std::visit([](const auto& p) { return port_name(p); }, port);
}

Result<void> check_instruments(const Config& config) {
  std::set<std::string> names = names_of(config);
  for (const ReplayConfig& replay : config.replays) names.insert(replay.name);
  if (names.size() != config.sources.size() + config.scanners.size() + config.replays.size())
    return bad("two instruments have one name", "/scanners");
  for (const std::string& name : names)
    if (!is_plain_name(name)) return bad("an instrument's name holds letters, digits, - _ . only", "/" + name);
  std::set<std::string> ports;
  for (const SourceConfig& source : config.sources) ports.insert(port_text(source.port));
  for (const ScannerConfig& scanner : config.scanners) ports.insert(port_text(scanner.port));
  for (const ReplayConfig& replay : config.replays) ports.insert(port_text(replay.port));
  if (ports.size() != names.size()) return bad("two instruments have one port", "/");
  return {};
}

Result<void> check_sensors(const Config& config) {
  std::set<std::string> sensors;
  for (const SensorConfig& sensor : config.sensors) sensors.insert(sensor.name);
  const std::set<std::string> places = names_of(config);
  for (const SensorConfig& sensor : config.sensors) {
    const std::string where = "/sensors/" + sensor.name;
    if (!sensor.in.empty() && !places.contains(sensor.in))
      return bad("must name a source or a scanner of this file, or be null", where + "/in");
    if (!sensor.junction.sensor.empty() && !sensors.contains(sensor.junction.sensor))
      return bad("must name a sensor of this file", where + "/junction");
  }
  for (const ScannerConfig& scanner : config.scanners)
    for (const auto& [channel, sensor] : scanner.channels)
      if (!sensors.contains(sensor))
        return bad("must name a sensor of this file",
                   "/scanners/" + scanner.name + "/channels/" + std::to_string(channel));
  return {};
}

}  // namespace

Result<void> check_fault(const FaultOrder& order, const Config& config) {
  const std::string where = "/faults (" + order.fault + " of " + order.instrument + ")";
  const auto named = [&](const auto& one) { return one.name == order.instrument; };
  const bool source = std::any_of(config.sources.begin(), config.sources.end(), named);
  const auto scanner = std::find_if(config.scanners.begin(), config.scanners.end(), named);
  if (!source && scanner == config.scanners.end()) return bad("no instrument has this name", where);
  if ((order.fault == "heater_dead" || order.fault == "runaway") && !source)
    return bad("only a source has a heater", where);
  if (order.fault == "open_sensor" && !source && !order.channel) return bad("needs a channel on a scanner", where);
  const auto of_registers = [&](const SourceConfig& one) { return named(one) && one.manner == "modbus"; };
  if (order.fault == "exception" && std::none_of(config.sources.begin(), config.sources.end(), of_registers))
    return bad("only an instrument of the manner modbus has exceptions", where);
  if ((order.fault == "no_echo" || order.fault == "no_prompt") && (source || scanner->manner != "chatty"))
    return bad("only an instrument of the manner chatty has an echo and a prompt", where);
  if (order.fault == "drift" && !source && !order.channel) return bad("needs a channel on a scanner", where);
  if (order.channel && source) return bad("a source has no channels", where);
  if (order.channel && (*order.channel < scanner->first_channel || *order.channel > scanner->last_channel))
    return bad("the scanner has no such channel", where);
  return {};
}

Result<FaultOrder> parse_fault(std::string_view text) {
  const auto parsed = parse_json(text);
  if (!parsed) return parsed.error();
  JsonReader json(*parsed, "fault");
  FaultOrder order = read_fault(json);
  if (json.problem()) return *json.problem();
  return order;
}

Result<Config> parse_config(std::string_view text, const std::filesystem::path& folder) {
  const auto parsed = parse_json(text);
  if (!parsed) return parsed.error();
  JsonReader json(*parsed, "");
  Config config;
  if (json.text("format") != "nightwell-sim/1") json.fail("format", "must be \"nightwell-sim/1\"");
  config.ambient_c = json.number("ambient_c");
  config.step_s = json.number("step_s", config.step_s);
  if (config.step_s < 0.05 || config.step_s > 10) json.fail("step_s", "must be in 0.05..10");
  config.truth_at_c = json.numbers("truth_at_c");
  JsonReader sources = json.object("sources", false);
  for (const std::string& name : sources.keys())
    config.sources.push_back(read_source(sources.object(name), name, folder));
  JsonReader scanners = json.object("scanners", false);
  for (const std::string& name : scanners.keys())
    config.scanners.push_back(read_scanner(scanners.object(name), name, folder));
  JsonReader replays = json.object("replays", false);
  for (const std::string& name : replays.keys())
    config.replays.push_back(read_replay(replays.object(name), name, folder));
  JsonReader sensors = json.object("sensors", false);
  for (const std::string& name : sensors.keys())
    config.sensors.push_back(read_sensor(sensors.object(name), name, (*parsed)["sensors"][name]));
  for (JsonReader& fault : json.objects("faults")) config.faults.push_back(read_fault(fault));
  json.finish();
  if (json.problem()) return *json.problem();
  if (auto checked = check_instruments(config); !checked) return checked.error();
  if (auto checked = check_sensors(config); !checked) return checked.error();
  for (const FaultOrder& order : config.faults)
    if (auto checked = check_fault(order, config); !checked) return checked.error();
  return config;
}

Result<Config> load_config(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  if (!in) return Error{Errc::not_found, "opening the simulated bench", "cannot be read", file.string()};
  std::string text;
  text.resize(largest_file + 1);
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (in.bad()) return Error{Errc::storage, "reading the simulated bench", "read failed", file.string()};
  text.resize(static_cast<std::size_t>(in.gcount()));
  auto config = parse_config(text, std::filesystem::absolute(file).parent_path());
  if (config) return config;
  Error error = config.error();
  error.where = file.string() + (error.where.starts_with('/') ? "" : " ") + error.where;
  return error;
}

}  // namespace nightwell::sim
