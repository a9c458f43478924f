// nightwell drivers: which there are, what they say on the line, a new one to begin with, and the check of one.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <filesystem>
#include <memory>

#include "cli/bench_drivers.hpp"
#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/driver_files.hpp"
#include "cli/drivers_check.hpp"
#include "cli/skeletons.hpp"
#include "cli/wording.hpp"
#include "dialect/codec.hpp"
#include "drivers/registry.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

// ---- list ----

std::string role_text(dialect::Role role) {
  return role == dialect::Role::scanner ? "scanner" : "heat source";
}

std::string role_of(const instrument::Registry& registry, const std::string& name) {
  const bool scanner = registry.scanners.contains(name), source = registry.sources.contains(name);
  return scanner && source ? "scanner, heat source" : scanner ? "scanner" : "heat source";
}

// Exit code 2, also where nothing more is to be told.
void tell_all(Context& context, const std::vector<plan::Fault>& faults) {
  for (const plan::Fault& fault : faults) tell(plan::text(fault));
  context.exit = Exit::bad_input;
}

void list_shipped(Context& context) {
  const fs::path folder = shipped_dialects();
  if (folder.empty()) return say("\nNo dialects were found beside this program.\n");
  std::vector<fs::path> files;
  std::error_code problem;
  for (const auto& entry : fs::directory_iterator(folder, problem))
    if (entry.path().extension() == ".json") files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  std::vector<std::vector<std::string>> rows = {{"dialect", "for", "revision", "file"}};
  for (const fs::path& file : files) {
    const auto read = read_dialect_file(file);
    if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&read)) {
      tell_all(context, *faults);
      continue;
    }
    const auto& one = std::get<DialectFile>(read);
    rows.push_back({shown(one.value->name), role_text(one.value->role), std::to_string(one.value->revision),
                    shown(file.string())});
  }
  say("\n" + table(rows));
}

void list_bench(Context& context, const std::string& bench, const instrument::Registry& registry) {
  const auto read = bench_drivers(bench, registry);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&read)) return tell_all(context, *faults);
  std::vector<std::vector<std::string>> rows = {{"on the bench", "for", "driver", "file", "can be loaded"}};
  for (const BenchDriver& one : std::get<std::vector<BenchDriver>>(read)) {
    const bool loads = one.trouble.empty();
    rows.push_back({shown(one.instrument), role_text(one.role), shown(one.driver), shown(one.file),
                    loads ? "yes" : "no: " + shown(one.trouble)});
    if (!loads) tell_all(context, one.faults);
  }
  say("\n" + table(rows));
}

void list(Context& context, const std::string& bench) {
  const instrument::Registry registry = drivers::registry();
  std::vector<std::vector<std::string>> rows = {{"driver", "for", "what it is"}};
  for (const auto& [name, about] : registry.about) rows.push_back({name, role_of(registry, name), about});
  say(table(rows));
  list_shipped(context);
  if (!bench.empty()) return list_bench(context, bench, registry);
  say("\nA bench names a dialect by its file: \"driver\": {\"dialect\": \"NAME.json\"}. More: nightwell drivers show "
      "NAME\n");
}

// ---- show ----

std::string bytes_text(const Result<instrument::Message>& message) {
  return message ? "\"" + instrument::printable(message->bytes, 200) + "\"" : message.error().text();
}

std::string kind_text(dialect::CommandKind kind) {
  switch (kind) {
    case dialect::CommandKind::query: return "question";
    case dialect::CommandKind::safe_setting: return "setting";
    case dialect::CommandKind::heat_setting: return "heat setting";
  }
  return "";
}

std::string template_text(const dialect::Template& pattern, const dialect::Dialect& dialect) {
  std::string out;
  for (const auto& part : pattern) {
    if (const auto* text = std::get_if<std::string>(&part))
      out += *text;
    else
      out += "{" + dialect.fields[std::get<std::size_t>(part)].name + "}";
  }
  return instrument::printable(out, 200);
}

std::string name_of(std::size_t command, const dialect::Dialect& dialect) {
  for (const auto& [name, index] : dialect.names)
    if (index == command) return name;
  return "";
}

std::string in_milliseconds(Duration duration) {
  return std::to_string(duration.count() / 1000) + " ms";
}

// What comes before a reading, and what it waits for.
std::string way_text(const dialect::DialectCommand& command, const dialect::Dialect& dialect) {
  std::string out;
  for (const auto& before : {command.choose, command.begin})
    if (before) out += (out.empty() ? ", right after " : " and ") + name_of(*before, dialect);
  if (!command.when_ready) return out;
  const dialect::WhenReady& when = *command.when_ready;
  out += ", as soon as " + name_of(when.query, dialect) + " says ";
  for (const std::string& text : when.is)
    out += (&text == &when.is.front() ? "\"" : " or \"") + instrument::printable(text) + "\"";
  if (when.is.empty()) out += std::to_string(when.bits) + " in the bits of " + std::to_string(when.mask);
  return out + " (asked every " + in_milliseconds(when.every) + ", for " + in_milliseconds(when.within) + ")";
}

// Examples as the driver sends them: whole, with checksum and terminator.
std::vector<std::vector<std::string>> examples(const dialect::Dialect& dialect,
                                               std::shared_ptr<const dialect::Dialect> kept) {
  std::vector<std::vector<std::string>> rows = {{"example", "on the wire"}};
  if (dialect.role == dialect::Role::heat_source) {
    const dialect::DialectSource codec(std::move(kept));
    const double t_c = std::clamp(25.5, dialect.lowest_c.value_or(-273), dialect.highest_c.value_or(10'000));
    rows.push_back({"who are you", bytes_text(codec.encode(instrument::AskIdentity{}))});
    rows.push_back({"set " + shortest(t_c) + " °C", bytes_text(codec.encode(instrument::SetTarget{t_c}))});
    if (dialect.highest_c)
      rows.push_back({"set " + shortest(*dialect.highest_c) + " °C",
                      bytes_text(codec.encode(instrument::SetTarget{*dialect.highest_c}))});
    rows.push_back({"output on", bytes_text(codec.encode(instrument::SetOutput{true}))});
    rows.push_back({"output off", bytes_text(codec.encode(instrument::SetOutput{false}))});
    return rows;
  }
  const dialect::DialectScanner codec(std::move(kept));
  rows.push_back({"who are you", bytes_text(codec.encode(instrument::AskIdentity{}))});
  for (const auto& channel : example_channels(dialect)) {
    const std::string address = std::to_string(channel.address);
    const instrument::ScannerCommand read = instrument::ReadChannel{channel};
    for (const instrument::ScannerCommand& setting : codec.before(read)) {
      const bool chooses = std::holds_alternative<instrument::ChooseChannel>(setting);
      rows.push_back(
          {(chooses ? "choose " : "begin ") + address + ", before each reading", bytes_text(codec.encode(setting))});
    }
    if (const auto wait = codec.wait(read))
      rows.push_back({"whether " + address + " is ready", bytes_text(codec.encode(wait->question))});
    rows.push_back({"read " + address + ", " + std::string(name(channel.measures)), bytes_text(codec.encode(read))});
  }
  return rows;
}

std::string register_text(const dialect::RegisterAddress& at) {
  constexpr const char* tables[] = {"coil", "discrete input", "input register", "holding register"};
  return std::string(tables[static_cast<std::size_t>(at.table)]) + " " + std::to_string(at.address);
}

void show_registers(const dialect::Dialect& dialect) {
  const dialect::RegisterMap& map = *dialect.registers;
  say(std::string("line      Modbus ") + (map.framing == dialect::Framing::tcp ? "TCP" : "RTU") + ", unit " +
      std::to_string(map.unit) + "\n\n");
  std::vector<std::vector<std::string>> rows = {{"what", "where (addresses of the protocol, from 0)"}};
  rows.push_back({"identity", register_text(map.identity.at) + ", " + std::to_string(map.identity.count) + " of them"});
  rows.push_back({"temperature", register_text(map.temperature.at)});
  rows.push_back({"target", register_text(map.target.at)});
  rows.push_back({"set target", register_text(map.set_target.number.at)});
  rows.push_back({"output", register_text(map.output.at)});
  rows.push_back({"set output", register_text(map.set_output.at) + ": on " + std::to_string(map.set_output.on) +
                                    ", off " + std::to_string(map.set_output.off)});
  const auto steps = [&rows](const char* when, const std::vector<dialect::RegisterStep>& list) {
    for (const dialect::RegisterStep& step : list)
      rows.push_back({when, register_text(step.at) + ": " + std::to_string(step.value) + ", proved by " +
                                register_text(step.proof) + " = " + std::to_string(step.shown)});
  };
  steps("start-up", map.start_up);
  steps("after \"off\"", map.park);
  say(table(rows));
}

void say_limits(const dialect::Dialect& dialect) {
  if (!dialect.lowest_c && !dialect.highest_c) return;
  say("limits    " + (dialect.lowest_c ? shortest(*dialect.lowest_c) : std::string("…")) + " to " +
      (dialect.highest_c ? shortest(*dialect.highest_c) : std::string("…")) + " °C\n");
}

void show_dialect(const DialectFile& file) {
  const dialect::Dialect& dialect = *file.value;
  say(shown(dialect.name) + ", revision " + std::to_string(dialect.revision) + ", for a " + role_text(dialect.role) +
      "\n");
  say("file      " + shown(file.path.string()) + "\nsha256    " + file.sha256 + "\n");
  say_limits(dialect);
  if (dialect.registers) return show_registers(dialect);
  const instrument::LineSettings& line = dialect.line;
  say("line      commands end with \"" + instrument::printable(dialect.command_end) + "\", replies with \"" +
      instrument::printable(line.reply_ends) + "\"" + (line.echoes ? "; echo" : "") +
      (line.prompt.empty() ? "" : "; prompt \"" + instrument::printable(line.prompt) + "\"") +
      (dialect.checksum.kind == dialect::ChecksumKind::none ? "" : "; checksum on every line") + "; pause " +
      in_milliseconds(line.gap) + ", quiet after " + in_milliseconds(line.quiet) + "\n");
  for (const dialect::Template& refusal : dialect.refused)
    say("refused   \"" + template_text(refusal, dialect) + "\"\n");
  std::vector<std::vector<std::string>> rows = {{"command", "kind", "sent", "reply"}};
  for (const auto& [name, index] : dialect.names) {
    const dialect::DialectCommand& command = dialect.commands[index];
    rows.push_back({name, kind_text(command.kind) + way_text(command, dialect), template_text(command.send, dialect),
                    (command.reply ? template_text(*command.reply, dialect) : "-") +
                        (command.within > Duration::zero() ? ", within " + in_milliseconds(command.within) : "")});
  }
  say("\n" + table(rows));
  const auto steps = [&file](const char* when, instrument::Steps which, const std::vector<dialect::DialectStep>& list) {
    const dialect::DialectSource codec(file.value);  // steps are the same for both roles
    for (std::size_t i = 0; i < list.size(); ++i)
      say(when + bytes_text(codec.encode(instrument::RunStep{which, i})) +
          (list[i].query ? ", proved by \"" + instrument::printable(list[i].is) + "\"" : "") + "\n");
  };
  if (!dialect.start_up.empty() || !dialect.park.empty()) say("\n");
  steps("at the start-up  ", instrument::Steps::start_up, dialect.start_up);
  steps("after \"off\"      ", instrument::Steps::park, dialect.park);
  say("\n" + table(examples(dialect, file.value)));
}

void show_one(Context& context, const std::string& name) {
  const instrument::Registry registry = drivers::registry();
  if (const auto about = registry.about.find(name); about != registry.about.end()) {
    say(name + ": " + about->second + "\n");
    if (const auto sends = registry.sends.find(name); sends != registry.sends.end())
      say("sends     " + sends->second + "\n");
    return;
  }
  const auto read = read_dialect_file(dialect_path(name));
  if (const auto* file = std::get_if<DialectFile>(&read)) return show_dialect(*file);
  tell_all(context, std::get<std::vector<plan::Fault>>(read));
}

void add_new(CLI::App& drivers, Context& context) {
  auto* command = drivers.add_subcommand("new", "write a driver to begin with, and how to try it: NAME/");
  auto kind = std::make_shared<std::string>(), name = std::make_shared<std::string>();
  command->add_option("KIND", *kind, skeleton_kinds())->required();
  command->add_option("NAME", *name, "of the driver and its folder, which must not exist: a-z, 0-9, '-'")->required();
  command->callback([&context, kind, name] {
    const auto made = make_skeleton(*kind, *name);
    if (!made) return context.fail(made.error());
    for (const fs::path& file : made->files) say("wrote   " + shown(file.string()) + "\n");
    if (!made->how_to_build.empty()) say("build   " + shown(made->how_to_build) + "\n");
    say("try it  " + shown(made->how_to_try) + "\n");
  });
}

}  // namespace

void add_drivers(CLI::App& program, Context& context) {
  auto* group =
      program.add_subcommand("drivers", "what speaks to instruments: which there are, a new one, and the check of one");
  group->require_subcommand(1);
  auto* listing = group->add_subcommand("list", "the drivers of this program, and the dialects that came with it");
  auto bench = std::make_shared<std::string>();
  listing->add_option("--bench", *bench, "also the drivers, dialects and programs that this bench FILE names")
      ->type_name("FILE");
  listing->callback([&context, bench] { list(context, *bench); });
  auto* showing =
      group->add_subcommand("show", "what a driver or a dialect says on the line, and every fault of a dialect's file");
  auto name = std::make_shared<std::string>();
  showing->add_option("NAME", *name, "a driver, a shipped dialect, or a dialect's FILE")->required();
  showing->callback([&context, name] { show_one(context, *name); });
  add_drivers_check(*group, context);
  add_new(*group, context);
  add_drivers_talk(*group, context);
}

}  // namespace nightwell::cli
