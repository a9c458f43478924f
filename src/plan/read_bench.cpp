// Bench: the instruments, their ports, and which channel is wired to what.
#include <algorithm>
#include <array>
#include <filesystem>
#include <map>

#include "plan/dialect_files.hpp"
#include "plan/drafts.hpp"
#include "plan/loader.hpp"
#include "plan/names.hpp"
#include "plan/nearest.hpp"
#include "plan/ranges.hpp"

namespace nightwell::plan {

namespace {

using namespace sequence;  // NOLINT: this file is about its types only

constexpr std::array bauds = {110,   150,    300,    600,    1200,   1800,   2400,    4800,    9600,    19200,  38400,
                              57600, 115200, 230400, 460800, 500000, 921600, 1000000, 1500000, 2000000, 3000000};

// ---- ports ----

// "/dev/ttyUSB0", "/dev/ttyACM12": numbered in the order of plugging, so another instrument's tomorrow.
bool is_renumbered(std::string_view path) {
  for (const std::string_view start : {"/dev/ttyUSB", "/dev/ttyACM"}) {
    if (path.substr(0, start.size()) != start || path.size() == start.size()) continue;
    if (path.find_first_not_of("0123456789", start.size()) == std::string_view::npos) return true;
  }
  return false;
}

Port read_serial(ObjectReader& reader) {
  static const Words<std::string> parities = {
      {"none", "none"}, {"even", "even"}, {"odd", "odd"}, {"mark", "mark"}, {"space", "space"}};
  static const Words<std::string> lines = {{"as_opened", "as_opened"}, {"on", "on"}, {"off", "off"}};
  static const Words<std::string> flows = {{"none", "none"}, {"hardware", "hardware"}, {"software", "software"}};
  SerialPort port;
  port.path = reader.text("path", ranges::longest_path).value_or("");
  if (!port.path.empty() && port.path.front() != '/') reader.refuse("path", "an absolute path");
  if (is_renumbered(port.path))
    reader.refuse("path", "a path that stays the same: /dev/serial/by-id/… or /dev/serial/by-path/…",
                  "the system numbers such ports anew whenever one is plugged in");
  port.baud = reader.whole("baud", 110, 3000000).value_or(0);
  if (port.baud != 0 && std::find(bauds.begin(), bauds.end(), port.baud) == bauds.end())
    reader.refuse(
        "baud",
        "110, 150, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, "
        "921600, 1000000, 1500000, 2000000 or 3000000");
  port.data_bits = reader.whole("data_bits", 7, 8).value_or(8);
  port.parity = reader.word("parity", parities).value_or("none");
  port.stop_bits = reader.whole("stop_bits", 1, 2).value_or(1);
  port.flow = reader.word("flow", flows).value_or("none");
  if (reader.has("dtr")) port.dtr = reader.word("dtr", lines).value_or("as_opened");
  if (port.flow == "hardware")
    reader.unused("rts", "hardware flow control drives this line");
  else if (reader.has("rts"))
    port.rts = reader.word("rts", lines).value_or("as_opened");
  return port;
}

Port read_tcp(ObjectReader& reader) {
  TcpPort port;
  port.host = reader.text("host", 253).value_or("");
  if (port.host.find_first_of(" /") != std::string::npos) reader.refuse("host", "a name or an address");
  port.port = reader.whole("port", 1, 65535).value_or(0);
  return port;
}

Port read_pty(ObjectReader& reader, const std::string& directory) {
  PtyPort port;
  const auto path = reader.text("path", ranges::longest_path);
  if (!path) return port;
  const std::filesystem::path whole = std::filesystem::path(*path).is_absolute() || directory.empty()
                                          ? std::filesystem::path(*path)
                                          : std::filesystem::path(directory) / *path;
  port.path = whole.lexically_normal().string();
  if (!whole.is_absolute()) reader.refuse("path", "an absolute path", "the folder of the bench file is not known here");
  return port;
}

// nullopt: the port is missing, or wrong in its kind.
std::optional<Port> read_port(ObjectReader& instrument, const std::string& directory) {
  enum class Kind { serial, tcp, pty };
  static const Words<Kind> kinds = {{"serial", Kind::serial}, {"tcp", Kind::tcp}, {"pty", Kind::pty}};
  auto reader = instrument.object("port");
  if (!reader) return std::nullopt;
  const auto kind = reader->word("type", kinds);
  if (!kind) return std::nullopt;
  Port port = *kind == Kind::serial ? read_serial(*reader)
              : *kind == Kind::tcp  ? read_tcp(*reader)
                                    : read_pty(*reader, directory);
  reader->finish();
  return port;
}

Words<std::string> as_words(const std::vector<std::string>& names) {
  Words<std::string> out;
  for (const std::string& name : names) out.emplace_back(name, name);
  return out;
}

// ---- scanners and sources ----

struct Driver {
  std::string name;
  DialectFile file;
  const LoadedDialect* dialect = nullptr;  // where the driver is a sound dialect for this kind of instrument
  DriverProgram program;
};

// The files that drivers name.
struct DriverFiles {
  DialectFiles& dialects;
  const std::map<std::string, ProgramFile>& programs;
};

std::vector<std::string> read_arguments(ObjectReader& reader) {
  std::vector<std::string> out;
  if (!reader.has("arguments")) return out;
  const auto elements = reader.list("arguments", 0, ranges::most_arguments);
  if (!elements) return out;
  const auto is_control = [](unsigned char c) { return c < 0x20 || c == 0x7f; };
  for (const auto& [value, place] : *elements) {
    const std::string* text = value.is_string() ? &value.get_ref<const std::string&>() : nullptr;
    if (text == nullptr || text->size() > ranges::longest_argument ||
        std::any_of(text->begin(), text->end(), is_control))
      reader.faults().add(
          place, shown(value),
          "text of at most " + std::to_string(ranges::longest_argument) + " bytes without control characters");
    else
      out.push_back(*text);
  }
  return out;
}

// {"program": PATH, "arguments": [...]}
Driver read_program_driver(ObjectReader& inside, const std::map<std::string, ProgramFile>& programs) {
  Driver driver;
  const auto path = inside.text("program", ranges::longest_path);
  driver.program.arguments = read_arguments(inside);
  inside.finish();
  if (!path) return driver;
  const auto found = programs.find(*path);
  if (found == programs.end() || !found->second.unread.empty()) {
    inside.refuse("program", "a program that can be run, relative to the bench file, and that nobody else can change",
                  found == programs.end() ? "it did not come with the bench" : found->second.unread);
    return driver;
  }
  driver.name = "program";
  driver.program.file = *path;
  driver.program.path = found->second.path;
  driver.program.sha256 = found->second.sha256;
  return driver;
}

std::string driver_rule(const std::vector<std::string>& known) {
  return one_of(known) + R"(, or a file beside the bench: {"dialect": FILE} or {"program": FILE})";
}

// A driver of the tree by its name, {"dialect": PATH} or {"program": PATH}.
Driver read_driver(ObjectReader& reader, const std::vector<std::string>& known, dialect::Role role,
                   const DriverFiles& files) {
  Driver driver;
  const Json* value = reader.peek("driver");
  if (value == nullptr || !value->is_object()) {
    const std::string* word = value != nullptr && value->is_string() ? &value->get_ref<const std::string&>() : nullptr;
    if (value == nullptr || (word != nullptr && std::find(known.begin(), known.end(), *word) != known.end()))
      driver.name = reader.word("driver", as_words(known)).value_or("");
    else
      reader.refuse("driver", driver_rule(known), word != nullptr ? meant(*word, known) : "");
    return driver;
  }
  auto inside = reader.object("driver");
  if (!inside) return driver;
  if (!inside->has("program") && !inside->has("dialect")) {
    const std::string found = value->empty() ? "an empty object" : "the key " + in_quotes(value->begin().key());
    reader.faults().add(reader.place("driver"), found, driver_rule(known));
    return driver;
  }
  if (inside->has("program")) return read_program_driver(*inside, files.programs);
  const auto path = inside->text("dialect", ranges::longest_path);
  inside->finish();
  if (!path) return driver;
  const LoadedDialect* loaded = files.dialects.load(*path, inside->place("dialect"));
  if (loaded == nullptr) return driver;
  if (loaded->value->role != role) {
    inside->refuse("dialect",
                   role == dialect::Role::scanner ? "a dialect for a scanner" : "a dialect for a heat_source");
    return driver;
  }
  driver.name = "dialect";
  driver.file = DialectFile{*path, loaded->json};
  driver.dialect = loaded;
  return driver;
}

// What an instrument asks for itself, or else its bench.
bool read_wire_log(ObjectReader& reader, const Driver& driver, const BenchDraft& bench) {
  const auto own = reader.truth_if("wire_log");
  if (own == true && !driver.program.file.empty())
    reader.refuse("wire_log", "false", "a driver's program has the port itself: nothing else sees its wire");
  return own.value_or(bench.wire_log);
}

sequence::Scanner read_scanner(ObjectReader& reader, const std::string& name, const std::string& directory,
                               const LoadOptions& options, const DriverFiles& files, BenchDraft& bench) {
  sequence::Scanner scanner;
  scanner.name = name;
  const Driver driver = read_driver(reader, options.scanner_drivers, dialect::Role::scanner, files);
  scanner.driver = driver.name;
  scanner.dialect = driver.file;
  scanner.program = driver.program;
  if (driver.dialect != nullptr) bench.dialects.emplace(name, driver.dialect);
  if (const auto port = read_port(reader, directory)) scanner.port = *port;
  scanner.reply = seconds_or_zero(reader.number("reply_s", ranges::reply_s));
  scanner.identity = reader.text_if("identity").value_or("");
  scanner.wire_log = read_wire_log(reader, driver, bench);
  reader.finish();
  return scanner;
}

// The temperatures of a source and their order.
void read_source_limits(ObjectReader& reader, SourceDraft& draft) {
  Source& source = draft.value;
  const auto lowest_c = reader.number("lowest_c", ranges::temperature_c);
  const auto highest_c = reader.number("highest_c", ranges::temperature_c);
  const auto safe_c = reader.number("safe_c", ranges::temperature_c);
  const auto absolute_c = reader.number("absolute_highest_c", ranges::temperature_c);
  source.lowest_c = lowest_c.value_or(0);
  source.highest_c = highest_c.value_or(0);
  source.safe_c = safe_c.value_or(0);
  source.absolute_highest_c = absolute_c.value_or(0);
  const bool ordered = lowest_c && highest_c && *lowest_c < *highest_c;
  if (lowest_c && highest_c && !ordered) reader.refuse("highest_c", "above lowest_c, " + shortest(*lowest_c) + " °C");
  if (absolute_c && highest_c && *absolute_c < *highest_c)
    reader.refuse("absolute_highest_c", "at least highest_c, " + shortest(*highest_c) + " °C");
  if (!ordered) return;
  draft.lowest_c = lowest_c;
  draft.highest_c = highest_c;
  if (safe_c && (*safe_c < *lowest_c || *safe_c > *highest_c))
    reader.refuse("safe_c", shortest(*lowest_c) + " to " + shortest(*highest_c) + " °C (lowest_c to highest_c)",
                  "parking sends it as a setpoint");
}

void read_watching(ObjectReader& reader, Source& source) {
  const auto lease_s = reader.number("lease_s", ranges::lease_s);
  const auto poll_s = reader.number("poll_s", ranges::poll_s);
  const auto stale_s = reader.number("stale_s", ranges::stale_s);
  source.lease = seconds_or_zero(lease_s);
  source.poll = seconds_or_zero(poll_s);
  source.stale = seconds_or_zero(stale_s);
  if (auto heating = reader.object("heating")) {
    source.heating_window = seconds_or_zero(heating->number("window_s", ranges::window_s));
    source.heating_gain_k = heating->number("gain_k", ranges::difference_k).value_or(0);
    heating->finish();
  }
  source.readback_tolerance_k =
      reader.number_if("readback_tolerance_k", {0, 10, "K", true}).value_or(Source{}.readback_tolerance_k);
  if (poll_s && lease_s && *lease_s < 2 * *poll_s)
    reader.refuse("lease_s", "at least twice poll_s, " + shortest(2 * *poll_s) + " s",
                  "a lease is renewed at read-backs, and one may be missed");
  if (poll_s && stale_s && *stale_s < 2 * *poll_s)
    reader.refuse("stale_s", "at least twice poll_s, " + shortest(2 * *poll_s) + " s",
                  "one missed read-back must not park the source");
}

// A setpoint that the bench allows must be one that the instrument takes.
void check_dialect_limits(ObjectReader& reader, const SourceDraft& draft, const dialect::Dialect& dialect) {
  if (draft.lowest_c && dialect.lowest_c && *draft.lowest_c < *dialect.lowest_c)
    reader.refuse("lowest_c",
                  "at least " + shortest(*dialect.lowest_c) + " °C (limits of dialect " + dialect.name + ")");
  if (draft.highest_c && dialect.highest_c && *draft.highest_c > *dialect.highest_c)
    reader.refuse("highest_c",
                  "at most " + shortest(*dialect.highest_c) + " °C (limits of dialect " + dialect.name + ")");
}

void check_framing(ObjectReader& reader, const Port& port, const dialect::Dialect& dialect) {
  if (dialect.registers && dialect.registers->framing == dialect::Framing::tcp &&
      !std::holds_alternative<TcpPort>(port))
    reader.refuse("port", "a tcp port (dialect " + dialect.name + " speaks Modbus TCP)");
}

void read_wire(ObjectReader& reader, SourceDraft& draft, const std::string& directory, const LoadOptions& options,
               const DriverFiles& files, const BenchDraft& bench) {
  Source& source = draft.value;
  const Driver driver = read_driver(reader, options.source_drivers, dialect::Role::heat_source, files);
  source.driver = driver.name;
  source.dialect = driver.file;
  source.program = driver.program;
  if (driver.dialect != nullptr) check_dialect_limits(reader, draft, *driver.dialect->value);
  if (const auto port = read_port(reader, directory)) source.port = *port;
  if (driver.dialect != nullptr) check_framing(reader, source.port, *driver.dialect->value);
  source.reply = seconds_or_zero(reader.number("reply_s", ranges::reply_s));
  source.identity = reader.text_if("identity").value_or("");
  source.wire_log = read_wire_log(reader, driver, bench);
  read_watching(reader, source);
}

SourceDraft read_source(ObjectReader& reader, const std::string& name, const std::string& directory,
                        const LoadOptions& options, const DriverFiles& files, const BenchDraft& bench) {
  static const Words<SourceKind> kinds = {
      {"dry_well", SourceKind::dry_well}, {"bath", SourceKind::bath}, {"furnace", SourceKind::furnace}};
  SourceDraft draft;
  draft.place = reader.place();
  draft.value.name = name;
  draft.value.kind = reader.word("kind", kinds).value_or(SourceKind::bath);
  draft.value.attended = reader.truth_if("attended").value_or(false);
  read_source_limits(reader, draft);
  if (draft.value.attended)
    for (const char* key : {"driver", "port", "reply_s", "identity", "wire_log", "lease_s", "poll_s", "stale_s",
                            "heating", "readback_tolerance_k"})
      reader.unused(key, "no wire reaches an attended source");
  else
    read_wire(reader, draft, directory, options, files, bench);
  reader.finish();
  return draft;
}

// Names of instruments stand in the names of files (a guardian's log) and alone in records of the journal.
void check_instrument_names(const BenchDraft& bench, const Place& root, FaultList& faults) {
  constexpr std::string_view allowed = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.";
  constexpr std::size_t longest = 64;
  const auto check = [&](const std::string& name, const Place& place) {
    if (name.size() <= longest && name.front() != '.' && name.find_first_not_of(allowed) == std::string::npos) return;
    faults.add(place, "the name " + in_quotes(name), "1 to 64 of A-Z a-z 0-9 - _ . (no . first)",
               "the names of instruments stand in names of files");
  };
  for (const auto& [name, scanner] : bench.scanners) check(name, root / "scanners" / name);
  for (const auto& [name, source] : bench.sources) {
    check(name, source.place);
    if (bench.scanners.contains(name))
      faults.add(source.place, "the name " + in_quotes(name), "a name of its own", "a scanner has it");
  }
}

// Two instruments on one port would answer each other's questions.
void check_ports(const BenchDraft& bench, const Place& root, FaultList& faults) {
  std::map<std::string, Place> seen;
  const auto once = [&](const Port& port, const Place& place) {
    const bool sound = std::visit(
        [](const auto& p) {
          if constexpr (requires { p.host; })
            return !p.host.empty() && p.port != 0;
          else
            return !p.path.empty();
        },
        port);
    if (!sound) return;
    const auto [first, fresh] = seen.emplace(port_name(port), place);
    if (!fresh)
      faults.add(place, in_quotes(port_name(port)), "a port of its own", "it is the port of " + first->second.pointer);
  };
  for (const auto& [name, scanner] : bench.scanners) once(scanner.port, root / "scanners" / name / "port");
  for (const auto& [name, source] : bench.sources)
    if (!source.value.attended) once(source.value.port, source.place / "port");
}

// ---- channels ----

std::optional<JunctionDraft> read_junction(ObjectReader& channel) {
  if (!channel.has("junction")) return JunctionDraft{JunctionNone{}};
  auto reader = channel.object("junction");
  if (!reader) return std::nullopt;
  const int ways =
      (reader->has("channel") ? 1 : 0) + (reader->has("fixed_c") ? 1 : 0) + (reader->has("instrument") ? 1 : 0);
  std::optional<JunctionDraft> junction;
  if (reader->has("channel")) {
    if (const auto name = reader->text("channel", 100)) junction = JunctionName{*name};
  } else if (reader->has("fixed_c")) {
    if (const auto t_c = reader->number("fixed_c", ranges::junction_c)) junction = JunctionFixed{*t_c};
  } else if (const auto said = reader->truth_if("instrument")) {
    if (*said)
      junction = JunctionInstrument{};
    else
      reader->refuse("instrument", "true", "leave \"junction\" out where there is none");
  }
  reader->finish();
  if (ways == 1) return junction;
  channel.refuse("junction", "exactly one of \"channel\", \"fixed_c\" and \"instrument\"");
  return std::nullopt;
}

ChannelDraft read_channel(ObjectReader& reader) {
  static const Words<Quantity> quantities = {{"voltage", Quantity::voltage},
                                             {"resistance", Quantity::resistance},
                                             {"current", Quantity::current},
                                             {"temperature", Quantity::temperature}};
  ChannelDraft draft;
  draft.place = reader.place();
  draft.scanner = reader.text("scanner", 100);
  draft.address = reader.whole("address", ranges::smallest_address, ranges::largest_address);
  draft.measures = reader.word("measures", quantities);
  draft.junction = read_junction(reader);
  reader.finish();
  const bool none = !draft.junction || std::holds_alternative<JunctionNone>(*draft.junction);
  if (!none && draft.measures && *draft.measures != Quantity::voltage) {
    reader.refuse("junction", "nothing", "only thermocouples, which measure voltage, have a junction");
    draft.junction.reset();
  }
  return draft;
}

void check_addresses(const BenchDraft& bench, FaultList& faults) {
  std::map<std::pair<std::string, int>, const std::string*> seen;
  for (const auto& [name, channel] : bench.channels) {
    if (!channel.scanner || !channel.address) continue;
    const auto [first, fresh] = seen.emplace(std::pair(*channel.scanner, *channel.address), &name);
    if (!fresh)
      faults.add(channel.place / "address", std::to_string(*channel.address), "an address of its own on its scanner",
                 "channel " + in_quotes(*first->second) + " has it");
  }
}

// A junction that is wrong counts as unsound from here on: nothing more is said about what hangs on it.
void check_junctions(BenchDraft& bench, FaultList& faults) {
  for (auto& [name, channel] : bench.channels) {
    const auto* junction = channel.junction ? std::get_if<JunctionName>(&*channel.junction) : nullptr;
    if (junction == nullptr) continue;
    const std::string found = in_quotes(junction->channel);
    const auto other = bench.channels.find(junction->channel);
    std::string allowed, message;
    if (other == bench.channels.end()) {
      allowed = "a channel of the bench";
      message = meant(junction->channel, names(bench.channels));
    } else if (other->second.measures == Quantity::voltage) {
      allowed = "a channel that measures resistance, current or temperature";
      message = "a thermocouple cannot tell its own junction's temperature";
    } else {
      continue;
    }
    channel.junction.reset();
    faults.add(channel.place / "junction" / "channel", found, allowed, message);
  }
}

bool has_channel(const dialect::Dialect& dialect, const dialect::DialectCommand& command, int address) {
  for (const dialect::Part& part : command.send)
    if (const auto* field = std::get_if<std::size_t>(&part))
      if (const auto* channel = std::get_if<dialect::ChannelField>(&dialect.fields[*field].kind))
        return channel->text(address).has_value();
  return true;
}

bool can_read(const dialect::Dialect& dialect, const dialect::DialectCommand& reading, int address) {
  const auto has = [&](std::optional<std::size_t> command) {
    return !command || has_channel(dialect, dialect.commands[*command], address);
  };
  return has_channel(dialect, reading, address) && has(reading.choose) && has(reading.begin) &&
         (!reading.when_ready || has(reading.when_ready->query));
}

void check_scanner_names(const BenchDraft& bench, FaultList& faults) {
  for (const auto& [name, channel] : bench.channels)
    if (channel.scanner && !bench.scanners.contains(*channel.scanner))
      faults.add(channel.place / "scanner", in_quotes(*channel.scanner),
                 "a scanner of the bench: " + one_of(names(bench.scanners)),
                 meant(*channel.scanner, names(bench.scanners)));
}

// What a dialect cannot read is said where the channel asks for it.
void check_dialect_channels(const BenchDraft& bench, FaultList& faults) {
  for (const auto& [name, channel] : bench.channels) {
    const auto found = channel.scanner ? bench.dialects.find(*channel.scanner) : bench.dialects.end();
    if (found == bench.dialects.end()) continue;
    const dialect::Dialect& dialect = *found->second->value;
    if (!channel.measures) continue;
    const std::string read = "read_" + std::string(nightwell::name(*channel.measures));
    const dialect::DialectCommand* command = dialect.find(read);
    if (command == nullptr)
      faults.add(channel.place / "measures", in_quotes(nightwell::name(*channel.measures)),
                 "what dialect " + dialect.name + " can read", "it has no command " + in_quotes(read));
    else if (channel.address && !can_read(dialect, *command, *channel.address))
      faults.add(channel.place / "address", std::to_string(*channel.address),
                 "a channel that dialect " + dialect.name + " has");
  }
}

}  // namespace

BenchDraft read_bench(const Json& document, const std::string& file, const std::string& directory,
                      const LoadOptions& options, DialectFiles& dialects,
                      const std::map<std::string, ProgramFile>& programs, FaultList& faults) {
  const DriverFiles driver_files{dialects, programs};
  BenchDraft bench;
  const Place root{file, ""};
  ObjectReader reader(document, root, faults);
  (void)reader.has("format");  // judged before
  bench.name = reader.text("bench", 100).value_or("");
  bench.wire_log = reader.truth_if("wire_log").value_or(false);
  const auto scanners = reader.members("scanners", 1, ranges::most_scanners);
  if (scanners)
    for (const auto& [name, value, place] : *scanners) {
      ObjectReader inside(value, place, faults);
      bench.scanners.emplace(name, read_scanner(inside, name, directory, options, driver_files, bench));
    }
  if (const auto sources = reader.members("sources", 0, ranges::most_sources)) {
    bench.sources_known = true;
    for (const auto& [name, value, place] : *sources) {
      ObjectReader inside(value, place, faults);
      bench.sources.emplace(name, read_source(inside, name, directory, options, driver_files, bench));
    }
  }
  if (const auto channels = reader.members("channels", 1, ranges::most_channels)) {
    bench.channels_known = true;
    for (const auto& [name, value, place] : *channels) {
      ObjectReader inside(value, place, faults);
      bench.channels.emplace(name, read_channel(inside));
    }
  }
  reader.finish();
  if (scanners) check_scanner_names(bench, faults);
  check_instrument_names(bench, root, faults);
  check_ports(bench, root, faults);
  check_addresses(bench, faults);
  check_dialect_channels(bench, faults);
  check_junctions(bench, faults);
  return bench;
}

}  // namespace nightwell::plan
