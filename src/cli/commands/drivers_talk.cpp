// nightwell drivers talk: a terminal to one instrument.
#include <CLI/CLI.hpp>
#include <filesystem>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/plan_files.hpp"
#include "cli/port_text.hpp"
#include "cli/talk.hpp"
#include "cli/talk_text.hpp"
#include "dialect/read_dialect.hpp"
#include "instrument/wire_recorder.hpp"
#include "plan/loader.hpp"

namespace nightwell::cli {
namespace {

constexpr std::chrono::seconds recording_patience{5};

struct TalkArguments {
  std::string port, bench, record;
  std::string send_end, reply_end;  // words; empty: the instrument's own, or LF
  double reply_s = 2;
  bool hex = false, times = false;
};

// The dialect's terminators. Where either of CR and LF ends a reply, a line is shown at its LF; frames of registers have no
// end, and are shown as bytes.
void speak(TalkSettings& settings, const dialect::Dialect& dialect) {
  const std::string& ends = dialect.line.reply_ends;
  settings.command_end = dialect.registers ? "" : dialect.command_end;
  settings.reply_end = dialect.registers ? "" : ends.size() > 1 ? "\n" : ends;
  settings.hex = dialect.registers.has_value();
}

// What the talk with an instrument of a bench needs of it; says what is wrong otherwise.
std::optional<TalkSettings> from_bench(Context& context, const TalkArguments& arguments) {
  const plan::InputFiles files = plan::gather("", arguments.bench, "");
  const plan::BenchResult read = plan::load_bench(files, plan::LoadOptions());
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&read)) {
    tell_faults(context, *faults, false);
    return std::nullopt;
  }
  TalkSettings settings;
  const auto take = [&](const auto& instrument) {
    if (instrument.name != arguments.port) return;
    settings.connection.name = instrument.name;
    settings.connection.driver = instrument.driver;
    settings.connection.port = instrument.port;
    settings.connection.dialect = instrument.dialect.json;
    settings.connection.identity = instrument.identity;
  };
  const auto& bench = std::get<plan::BenchInstruments>(read);
  for (const auto& scanner : bench.scanners) take(scanner);
  for (const auto& source : bench.sources)
    if (!source.attended) take(source);
  if (settings.connection.name.empty()) {
    context.fail(Error{Errc::not_found, "looking for an instrument", "the bench has none of this name with a wire",
                       arguments.port});
    return std::nullopt;
  }
  if (!settings.connection.dialect.empty()) {
    const auto dialect = dialect::dialect_from(settings.connection.dialect);
    if (dialect) speak(settings, **dialect);
  }
  return settings;
}

std::optional<TalkSettings> settings_for(Context& context, const TalkArguments& arguments) {
  if (!arguments.bench.empty()) return from_bench(context, arguments);
  const auto port = parse_port(arguments.port);
  if (!port) {
    context.fail(port.error());
    return std::nullopt;
  }
  TalkSettings settings;
  settings.connection.name = arguments.port;
  settings.connection.port = *port;
  return settings;
}

void talk_as_asked(Context& context, const TalkArguments& arguments) {
  auto settings = settings_for(context, arguments);
  if (!settings) return;
  if (!arguments.send_end.empty()) settings->command_end = settings->reply_end = *terminator(arguments.send_end);
  if (!arguments.reply_end.empty()) settings->reply_end = *terminator(arguments.reply_end);
  settings->hex = settings->hex || arguments.hex;
  settings->times = arguments.times;
  settings->connection.reply = from_seconds(arguments.reply_s);
  if (!arguments.record.empty()) {
    if (std::error_code ignored; std::filesystem::exists(arguments.record, ignored))
      return context.fail(
          Error{Errc::bad_input, "recording", "there is a file of this name already", arguments.record});
    settings->connection.wire_log = arguments.record;
    settings->connection.recorder = instrument::make_recorder(settings->connection);
  }
  tell("what you send goes to the instrument as it is: it can command heat, and what is switched on here stays on");
  const Result<void> done = talk(*settings);
  if (const auto& recorder = settings->connection.recorder)
    if (!recorder->finish(recording_patience)) tell("the record could not be written to its end");
  if (!done) context.fail(done.error());
}

}  // namespace

void add_drivers_talk(CLI::App& drivers, Context& context) {
  auto* command = drivers.add_subcommand("talk", "a terminal to an instrument: lines out, replies in");
  auto arguments = std::make_shared<TalkArguments>();
  command->add_option("port", arguments->port, std::string(port_spelling) + ", or with --bench an instrument's name")
      ->required()
      ->type_name("PORT");
  command->add_option("--bench", arguments->bench, "bench file whose instrument it is")->type_name("FILE");
  const CLI::IsMember ends({"CR", "LF", "CRLF", "none"});
  command->add_option("--end", arguments->send_end, "terminator of both; else the dialect's, or LF")->check(ends);
  command->add_option("--reply-end", arguments->reply_end, "terminator of replies alone")->check(ends);
  command->add_option("--reply", arguments->reply_s, "how long a script waits for an answer, seconds")
      ->check(CLI::Range(0.01, 600.0));
  command->add_flag("--hex", arguments->hex, "show replies as hexadecimal too");
  command->add_flag("--times", arguments->times, "the time before every line");
  command->add_option("--record", arguments->record, "write a wire log of it")->type_name("FILE");
  command->callback([&context, arguments] { talk_as_asked(context, *arguments); });
}

}  // namespace nightwell::cli
