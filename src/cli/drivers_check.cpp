#include "cli/drivers_check.hpp"

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <iostream>
#include <memory>
#include <optional>

#include "cli/context.hpp"
#include "cli/driver_files.hpp"
#include "cli/heat_keeper.hpp"
#include "cli/new_file.hpp"
#include "cli/port_text.hpp"
#include "cli/signals.hpp"
#include "cli/wording.hpp"
#include "conformance/check.hpp"
#include "conformance/mirror.hpp"
#include "conformance/report.hpp"
#include "dialect/read_dialect.hpp"
#include "drivers/registry.hpp"
#include "instrument/clock.hpp"
#include "instrument/open_port.hpp"
#include "journal/reader.hpp"
#include "plan/loader.hpp"
#include "plan/program_files.hpp"

namespace nightwell::cli {
namespace {

using namespace conformance;

constexpr Duration longest_check = std::chrono::minutes(30);
constexpr Duration longest_park = std::chrono::seconds(90);
constexpr double mirror_reply_s = 0.2, program_reply_s = 0.3;  // a program may be slow to start
constexpr std::size_t evidence_lines = 12;
constexpr Duration status_deadline = std::chrono::seconds(5);
constexpr std::size_t most_channels = 4;  // of a bench: more would only take time

struct Arguments {
  std::string driver, bench, role, port, mirror, identity, measures = "resistance", report;
  std::vector<int> channels;
  std::optional<double> reply_s, lowest_c, highest_c, refused_c;
  std::optional<int> missing;
  bool careful = false, beside_it = false, json = false;
};

// What is to be checked, as far as the arguments say it.
struct Subject {
  instrument::ConnectionSettings settings;
  std::optional<DialectFile> dialect;
  std::optional<Port> port;                          // none: a mirror of …
  std::shared_ptr<const dialect::Dialect> mirrored;  // … this dialect
  bool heats = false;
  Wishes wishes;
};

Error bad_argument(std::string what, std::string why) {
  return Error{Errc::bad_input, std::move(what), std::move(why), ""};
}

// ---- from arguments to a subject ----

Result<DialectFile> sound_dialect(const std::string& name) {
  auto read = read_dialect_file(dialect_path(name));
  if (auto* file = std::get_if<DialectFile>(&read)) return std::move(*file);
  for (const plan::Fault& fault : std::get<std::vector<plan::Fault>>(read)) tell(plan::text(fault));
  return bad_argument(
      "reading the driver \"" + name + "\"",
      "it is neither a driver (nightwell drivers list) nor a sound dialect; of a program say what it drives, "
      "--for heat_source or --for scanner");
}

// Whoever says what it drives, or names a file that can be run, means a program: what is wrong with it is told as a program's fault.
bool is_program(const Arguments& arguments) {
  const std::string& file = arguments.driver;
  if (file.ends_with(".json")) return false;
  std::error_code ignored;
  if (!arguments.role.empty()) {
    const std::filesystem::path dialect = dialect_path(file);  // a shipped one's name may come with --for, too
    return dialect == file || !std::filesystem::exists(dialect, ignored);
  }
  return std::filesystem::is_regular_file(file, ignored) && ::access(file.c_str(), X_OK) == 0;
}

Result<void> choose_program(const Arguments& arguments, Subject& subject) {
  if (arguments.role.empty())
    return bad_argument("reading --for", "say what the program drives: --for heat_source or --for scanner");
  const plan::ProgramFile file = plan::read_program(std::filesystem::current_path(), arguments.driver);
  if (!file.unread.empty()) return bad_argument("reading the program \"" + arguments.driver + "\"", file.unread);
  DriverProgram& program = subject.settings.program;
  program.file = arguments.driver;
  program.path = file.path;
  program.sha256 = file.sha256;
  subject.settings.driver = instrument::program_driver;
  subject.settings.note = [](const std::string& line) { tell(shown(line)); };
  subject.settings.name = std::filesystem::path(arguments.driver).stem().string();
  subject.heats = arguments.role == "heat_source";
  return {};
}

template <class Instrument>
void take_connection(const Instrument& instrument, const plan::InputFiles& files, Subject& subject) {
  subject.settings.name = instrument.name;
  subject.settings.driver = instrument.driver;
  subject.settings.reply = instrument.reply;
  subject.settings.identity = instrument.identity;
  subject.settings.dialect = instrument.dialect.json;
  subject.settings.program = instrument.program;
  subject.settings.note = [](const std::string& line) { tell(shown(line)); };
  subject.port = instrument.port;
  if (instrument.dialect.json.empty()) return;
  auto dialect = dialect::dialect_from(instrument.dialect.json);
  const auto file = files.dialects.find(instrument.dialect.file);
  if (!dialect || file == files.dialects.end()) return;
  subject.dialect.emplace();
  subject.dialect->path = instrument.dialect.file;
  subject.dialect->sha256 = journal::sha256_hex(file->second.text);
  subject.dialect->json = instrument.dialect.json;
  subject.dialect->value = std::move(dialect).value();
}

// The instrument named DRIVER of the bench: all that the bench says of it.
Result<void> choose_of_bench(Arguments& arguments, const instrument::Registry& registry, Subject& subject) {
  const plan::InputFiles files = plan::gather("", arguments.bench, "");
  plan::LoadOptions options;
  options.scanner_drivers.clear();
  options.source_drivers.clear();
  for (const auto& [name, make] : registry.scanners) options.scanner_drivers.push_back(name);
  for (const auto& [name, make] : registry.sources) options.source_drivers.push_back(name);
  const auto loaded = plan::load_bench(files, options);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) {
    for (const plan::Fault& fault : *faults) tell(plan::text(fault));
    return bad_argument("reading --bench", "the bench file has faults");
  }
  const auto& bench = std::get<plan::BenchInstruments>(loaded);
  for (const sequence::Source& source : bench.sources) {
    if (source.name != arguments.driver) continue;
    if (source.attended) return bad_argument("reading --bench", "no wire reaches an attended source");
    take_connection(source, files, subject);
    subject.heats = true;
    if (!arguments.lowest_c) arguments.lowest_c = source.lowest_c;
    if (!arguments.highest_c) arguments.highest_c = source.highest_c;
  }
  for (const sequence::Scanner& scanner : bench.scanners)
    if (scanner.name == arguments.driver) take_connection(scanner, files, subject);
  if (!subject.port) return bad_argument("reading --bench", "it has no instrument named \"" + arguments.driver + "\"");
  for (const auto& channel : bench.channels)
    if (channel.scanner == arguments.driver && subject.wishes.channels.size() < most_channels &&
        arguments.channels.empty())
      subject.wishes.channels.push_back({channel.address, channel.measures});
  return {};
}

Result<void> choose_driver(const Arguments& arguments, const instrument::Registry& registry, Subject& subject) {
  subject.settings.name = arguments.driver;
  const bool by_file = arguments.driver == instrument::dialect_driver || arguments.driver == instrument::program_driver;
  if (registry.about.contains(arguments.driver) && !by_file) {
    subject.settings.driver = arguments.driver;
    subject.heats = registry.sources.contains(arguments.driver);
    return {};
  }
  if (is_program(arguments)) return choose_program(arguments, subject);
  auto read = sound_dialect(arguments.driver);
  if (!read) return read.error();
  subject.dialect = std::move(read).value();
  subject.settings.driver = instrument::dialect_driver;
  subject.settings.dialect = subject.dialect->json;
  subject.settings.name = subject.dialect->value->name;
  subject.heats = subject.dialect->value->role == dialect::Role::heat_source;
  return {};
}

Result<void> choose_mirror(const Arguments& arguments, Subject& subject) {
  if (!arguments.mirror.empty()) {
    auto read = sound_dialect(arguments.mirror);
    if (!read) return read.error();
    subject.mirrored = read->value;
  } else if (subject.dialect) {
    subject.mirrored = subject.dialect->value;
  } else {
    return bad_argument("reading --port",
                        "give the instrument's port; only a dialect has a mirror of its own to be tried "
                        "on (--mirror DIALECT: what the driver speaks)");
  }
  return {};
}

double usual_reply_s(const Subject& subject) {
  if (subject.port) return 2;
  return subject.dialect ? mirror_reply_s : program_reply_s;
}

Result<void> choose_port(const Arguments& arguments, Subject& subject) {
  if (subject.port) {
    return {};  // the bench's
  } else if (!arguments.port.empty()) {
    auto port = parse_port(arguments.port);
    if (!port) return port.error();
    subject.port = std::move(port).value();
  } else if (const auto chosen = choose_mirror(arguments, subject); !chosen) {
    return chosen;
  }
  subject.settings.reply = from_seconds(arguments.reply_s.value_or(usual_reply_s(subject)));
  subject.settings.identity = arguments.identity;
  return {};
}

Result<void> choose_channels(const Arguments& arguments, Subject& subject) {
  const auto measures = quantity(arguments.measures);
  if (!measures) return bad_argument("reading --measures", "it is voltage, resistance, current or temperature");
  for (const int address : arguments.channels) subject.wishes.channels.push_back({address, *measures});
  // Of a mirror all are known. With an instrument the person says which are wired, but for a dialect's first two.
  const auto known = subject.dialect ? subject.dialect->value : subject.mirrored;
  if (subject.wishes.channels.empty() && known) subject.wishes.channels = example_channels(*known);
  if (subject.wishes.channels.empty())
    return bad_argument("reading --channels",
                        "name at least one channel of the scanner, two for all cases: --channels 101,102");
  return {};
}

Result<void> choose_limits(const Arguments& arguments, Subject& subject) {
  Wishes& wishes = subject.wishes;
  if (subject.dialect) {
    wishes.driver_lowest_c = subject.dialect->value->lowest_c;
    wishes.driver_highest_c = subject.dialect->value->highest_c;
  }
  if (wishes.careful) return {};
  const auto lowest = arguments.lowest_c ? arguments.lowest_c : wishes.driver_lowest_c;
  const auto highest = arguments.highest_c ? arguments.highest_c : wishes.driver_highest_c;
  if (!subject.port) {
    wishes.lowest_c = lowest.value_or(-20);
    wishes.highest_c = highest.value_or(100);
  } else if (!arguments.highest_c || !lowest) {
    return bad_argument("reading --highest",
                        "say between which targets the source may be set: --lowest C --highest C; or "
                        "use --careful, which sets no target and no output");
  } else {
    wishes.lowest_c = *lowest;
    wishes.highest_c = *highest;
  }
  if (!(wishes.highest_c - wishes.lowest_c >= 2))
    return bad_argument("reading --highest", "it lies at least 2 K above --lowest");
  const double refused = wishes.refused_c.value_or(wishes.lowest_c);
  if (refused < wishes.driver_lowest_c.value_or(refused) || refused > wishes.driver_highest_c.value_or(refused))
    return bad_argument("reading --refused-target",
                        "the dialect refuses " + shortest(refused) +
                            " °C itself, by its \"limits\", and never sends it: name "
                            "a target within them that the instrument refuses, or leave this out");
  return {};
}

Result<Subject> subject_of(Arguments arguments, const instrument::Registry& registry) {
  Subject subject;
  subject.wishes.careful = arguments.careful;
  subject.wishes.refused_c = arguments.refused_c;
  subject.wishes.missing_address = arguments.missing;
  const auto driver = arguments.bench.empty() ? choose_driver(arguments, registry, subject)
                                              : choose_of_bench(arguments, registry, subject);
  if (!driver) return driver.error();
  if (const auto chosen = choose_port(arguments, subject); !chosen) return chosen.error();
  const auto chosen = subject.heats ? choose_limits(arguments, subject) : choose_channels(arguments, subject);
  if (!chosen) return chosen.error();
  return subject;
}

// ---- before anything is heated ----

bool is_real(const Port& port) {
  return !std::holds_alternative<PtyPort>(port);
}

bool sets_heat(const Subject& subject) {
  return subject.heats && !subject.wishes.careful && subject.port.has_value();
}

std::string heat_plan(const Subject& subject) {
  if (!subject.heats || subject.wishes.careful) return "";
  return "two targets one degree apart, nearest to the source's own temperature, between " +
         shortest(subject.wishes.lowest_c) + " and " + shortest(subject.wishes.highest_c) +
         " °C; the output on some fifteen times, for a few seconds each";
}

std::size_t start_up_steps(const Subject& subject) {
  if (!subject.dialect) return 0;
  const dialect::Dialect& dialect = *subject.dialect->value;
  return dialect.registers ? dialect.registers->start_up.size() : dialect.start_up.size();
}

// The person says that they stand there.
Result<void> agree(const Subject& subject, bool beside_it) {
  if (!sets_heat(subject) || !is_real(*subject.port)) return {};
  tell("this check sets " + heat_plan(subject) + ".");
  tell(
      "Surfaces may be hot. Stay beside the source, its own over-temperature cut-out set just above what it may "
      "reach.");
  if (beside_it) return {};
  std::string answer;
  if (::isatty(STDIN_FILENO) == 1) {
    tell("Are you beside it, and may it begin? Type yes:");
    std::getline(std::cin, answer);
  }
  if (answer == "yes") return {};
  return Error{Errc::refused, "checking a heat source", "nobody said to be beside it: --i-am-beside-it, or --careful",
               ""};
}

// A port of a serial line is locked by whoever has it; one of TCP is not, so the daemon is asked. Where one is there that says
// nothing, it may well have a run.
Result<void> no_run_is_open(const Context& context, const Subject& subject) {
  if (!subject.port || !std::holds_alternative<TcpPort>(*subject.port)) return {};
  if (!somebody_listens(context.socket())) return {};
  const auto answer = ask_once(context.socket(), nlohmann::json{{"ask", "status"}}, status_deadline);
  if (!answer) return answer.error();
  const auto runs = answer->body.find("runs");
  if (!answer->refusal && runs != answer->body.end() && runs->is_array() && runs->empty()) return {};
  return Error{Errc::refused, "checking an instrument on TCP",
               "the daemon has an open run, and a TCP port shows nobody that it is in use: wait for the run's end", ""};
}

guardian::Setup parking_setup(const Subject& subject, double safe_c) {
  guardian::Setup setup;
  setup.connection = subject.settings;
  setup.connection.port = *subject.port;
  setup.log = "/dev/null";  // what it says is in the report
  guardian::Limits& limits = setup.limits;
  limits.lowest_c = subject.wishes.lowest_c;
  limits.highest_c = subject.wishes.highest_c;
  limits.absolute_highest_c = subject.wishes.highest_c + 50;
  limits.safe_c = safe_c;
  limits.lease = std::chrono::seconds(10);
  limits.poll = std::chrono::seconds(1);
  limits.stale = std::chrono::seconds(30);
  limits.heating_window = std::chrono::minutes(10);
  limits.heating_gain_k = 0.1;
  limits.readback_tolerance_k = 0.5;
  limits.heated_before = true;
  return setup;
}

// ---- the check and its report ----

ReportHead head_of(const Subject& subject) {
  ReportHead head;
  asio::io_context unused;
  head.date_utc = utc_text(instrument::RunClock(unused, 1).utc());
  head.program_version = NIGHTWELL_VERSION;
  head.driver = subject.settings.driver;
  head.instrument = subject.settings.name;
  if (subject.dialect) {
    head.dialect = subject.dialect->value->name;
    head.dialect_revision = subject.dialect->value->revision;
    head.file_sha256 = subject.dialect->sha256;
  } else if (!subject.settings.program.path.empty()) {
    head.program = subject.settings.program.file;
    head.file_sha256 = subject.settings.program.sha256;
  }
  if (subject.port) head.port = port_text(*subject.port);
  if (subject.mirrored) head.mirror = subject.mirrored->name;
  head.careful = subject.wishes.careful;
  head.heat = heat_plan(subject);
  return head;
}

void print(const Outcome& outcome) {
  const std::string subject = outcome.subject + (outcome.condition.empty() ? "" : ", " + outcome.condition);
  say(padded(conformance::name(outcome.verdict), 9) + padded(subject, 70) + "  " + shown(outcome.happened) + "\n");
  std::fflush(stdout);  // somebody may follow it in a file
  if (outcome.verdict != Verdict::failed) return;
  std::string lines = evidence_text(outcome.evidence, evidence_lines);
  while (!lines.empty()) {
    const std::size_t end = lines.find('\n');
    say("           " + lines.substr(0, end) + "\n");
    lines.erase(0, end + 1);
  }
}

Result<void> write_report(const std::string& path, const std::string& text) {
  auto file = NewFile::create(path);
  if (!file) return file.error();
  if (const auto written = file->write(text); !written) return written;
  if (const auto synced = file->sync(); !synced) return synced;
  return file->put_in_place(false);
}

// Everything between the first byte and the last. The line is gone, and the port with it, when this returns.
Result<Findings> run_cases(Subject& subject, const instrument::Registry& registry) {
  FarSide far_side;
  if (subject.port) {
    far_side = *subject.port;
  } else {
    Mirror mirror = mirror_of(subject.mirrored);
    far_side = std::move(mirror.far_side);
    subject.wishes.refuse_next = std::move(mirror.refuse_next);
  }
  auto line = FaultyLine::open(std::move(far_side), subject.settings.reply);
  if (!line) return line.error();
  return subject.heats
             ? check_source(registry.sources.at(subject.settings.driver), subject.settings, **line, subject.wishes)
             : check_scanner(registry.scanners.at(subject.settings.driver), subject.settings, **line, subject.wishes);
}

// The last word about heat is the guardian's.
void add_park(HeatKeeper& keeper, Findings& findings) {
  tell("the guardian parks the source …");
  const auto parked = keeper.park(longest_park);
  Outcome outcome;
  outcome.subject = "parked by the guardian, on the instrument's own port";
  outcome.verdict = parked ? Verdict::passed : Verdict::failed;
  outcome.happened = parked ? *parked : parked.error().text();
  findings.outcomes.push_back(std::move(outcome));
}

void check(Context& context, const Arguments& arguments) {
  instrument::ignore_sigpipe();
  const instrument::Registry registry = drivers::registry();
  auto subject = subject_of(arguments, registry);
  if (!subject) return context.fail(subject.error());
  if (const auto free = no_run_is_open(context, *subject); !free) return context.fail(free.error());
  if (const auto agreed = agree(*subject, arguments.beside_it); !agreed) return context.fail(agreed.error());

  std::optional<HeatKeeper> keeper;  // before threads and ports
  if (sets_heat(*subject)) {
    auto started = HeatKeeper::start(guardian_program(), longest_check);
    if (!started) return context.fail(started.error());
    keeper.emplace(std::move(started).value());
  }
  Signals signals(leaving_signals);
  Wishes& wishes = subject->wishes;
  bool left = false;
  wishes.stopped = [&] { return left = left || signals.take() != 0 || (keeper && !keeper->is_there()); };
  if (keeper) wishes.alive = [&] { keeper->alive(); };
  if (keeper) wishes.before_heat = [&](double safe_c) { return keeper->arm(parking_setup(*subject, safe_c)); };
  if (!arguments.json) wishes.told = print;
  if (!arguments.json && !subject->port)
    say("No instrument is asked: this is a mirror made of the dialect " + shown(subject->mirrored->name) +
        (subject->dialect ? "" : "; a driver that speaks otherwise is tried on --port") + ".\n\n");
  if (const std::size_t steps = start_up_steps(*subject); subject->port && steps > 0)
    tell("the " + std::to_string(steps) + " start-up step" + (steps == 1 ? "" : "s") +
         " of the dialect follow the identity" + (wishes.careful ? ", with --careful too" : "") +
         "; nightwell drivers show lists them");
  auto findings = run_cases(*subject, registry);
  if (!findings) return context.fail(findings.error());
  if (keeper && keeper->armed()) {
    add_park(*keeper, *findings);
    if (!arguments.json) print(findings->outcomes.back());
  }

  const ReportHead head = head_of(*subject);
  if (arguments.json)
    say_json(to_json(head, *findings));
  else
    say("\n" + summary(*findings) + (subject->port ? "" : " (no instrument was asked)") + "\n");
  context.exit = findings->passed() ? Exit::done : Exit::failed;
  if (arguments.report.empty()) return;
  if (const auto written = write_report(arguments.report, to_markdown(head, *findings)); !written)
    return context.fail(written.error());
}

}  // namespace

std::vector<instrument::ChannelSetup> example_channels(const dialect::Dialect& dialect) {
  std::optional<Quantity> measures;
  for (const Quantity q : {Quantity::resistance, Quantity::voltage, Quantity::temperature, Quantity::current})
    if (!measures && dialect.find("read_" + std::string(name(q))) != nullptr) measures = q;
  std::vector<instrument::ChannelSetup> out;
  if (!measures) return out;
  for (const dialect::Field& field : dialect.fields) {
    const auto* channel = std::get_if<dialect::ChannelField>(&field.kind);
    if (channel == nullptr) continue;
    for (const auto& [address, text] : channel->names)
      if (out.size() < 2) out.push_back({address, *measures});
    if (channel->names.empty())
      for (int address = channel->lowest; address <= channel->highest && out.size() < 2; ++address)
        out.push_back({address, *measures});
  }
  return out;
}

void add_drivers_check(CLI::App& drivers, Context& context) {
  auto* command = drivers.add_subcommand(
      "check",
      "the conformance run: a driver against an instrument, on a line that fails in every way (docs/conformance.md)");
  auto a = std::make_shared<Arguments>();
  command->add_option("DRIVER", a->driver, "a driver, a shipped dialect, a dialect's FILE, or a program")->required();
  command->add_option("--for", a->role, "of a driver program: heat_source or scanner")
      ->check(CLI::IsMember({"heat_source", "scanner"}));
  command->add_option(
      "--port", a->port,
      std::string("the instrument's: ") + port_spelling + "; left out: a dialect against a mirror made of itself");
  command
      ->add_option("--bench", a->bench, "DRIVER is the name of an instrument of this bench FILE, which says all of it")
      ->type_name("FILE");
  command->add_option("--mirror", a->mirror,
                      "without --port: the DIALECT whose mirror a program or driver is tried on");
  command->add_option("--reply", a->reply_s, "deadline of a reply, s; 2 if left out")->check(CLI::Range(0.05, 60.0));
  command->add_option("--identity", a->identity, "what the identity must contain");
  command->add_flag(
      "--careful", a->careful,
      "set no target and no output: identity (and the start-up steps behind it), readings, what must be refused");
  command->add_option("--lowest", a->lowest_c, "lowest target of a heat source, °C; the dialect's if left out");
  command->add_option("--highest", a->highest_c, "highest target of a heat source, °C");
  command->add_option("--refused-target", a->refused_c, "a target that the instrument itself must refuse, °C");
  command->add_option("--channels", a->channels, "of a scanner: 101,102")->delimiter(',');
  command->add_option("--measures", a->measures, "voltage, resistance, current or temperature")->capture_default_str();
  command->add_option("--missing-channel", a->missing, "a channel that the scanner does not have and must refuse");
  command->add_flag("--i-am-beside-it", a->beside_it,
                    "somebody stands beside the source for as long as the check runs");
  command->add_option("--report", a->report, "write FILE: Markdown, with every byte that passed; must not exist")
      ->type_name("FILE");
  command->add_flag("--json", a->json, "the report as JSON on standard output");
  command->callback([&context, a] { check(context, *a); });
}

}  // namespace nightwell::cli
