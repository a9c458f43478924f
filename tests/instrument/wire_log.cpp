#include "wire_log.hpp"

#include <algorithm>
#include <asio/co_spawn.hpp>
#include <asio/steady_timer.hpp>
#include <charconv>
#include <fstream>
#include <iterator>
#include <memory>
#include <sstream>
#include <stdexcept>

#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "dialect/wire_in_memory.hpp"
#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"
#include "instrument/awaitable.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "instrument/recording_calls.hpp"
#include "instrument/recording_wire.hpp"
#include "modbus/source.hpp"
#include "nightwell/instrument/scpi.hpp"
#include "quick.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::instrument::test {

namespace {

using wire_log::Mark;
using wire_log::Step;

struct Log {
  wire_log::WireLog all;
  std::vector<Step> calls;       // ":" and "="
  std::vector<Step> instrument;  // ">" "<" "@" "!"
};

bool is_call(const Step& step) {
  return step.mark == Mark::call || step.mark == Mark::result;
}

Log sorted(const std::string& text) {
  auto read = wire_log::parse(text);
  if (!read) throw std::runtime_error(read.error().text());
  Log log;
  log.all = std::move(read).value();
  // What the end of a run cut short has no result: it is played up to there.
  if (log.all.recorded) {
    auto& steps = log.all.steps;
    const auto last = std::find_if(steps.rbegin(), steps.rend(), is_call);
    if (last != steps.rend() && last->mark == Mark::call) steps.erase(std::next(last).base(), steps.end());
  }
  for (const Step& step : log.all.steps) (is_call(step) ? log.calls : log.instrument).push_back(step);
  return log;
}

int to_int(std::string_view text) {
  int value = 0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (problem != std::errc{} || end != text.data() + text.size())
    throw std::runtime_error("not a whole number: " + std::string(text));
  return value;
}

constexpr std::size_t flood_bytes = 64 * 4096;  // far more than any reply may have

// What both sides share: the driver, and what went otherwise than written.
struct Player {
  explicit Player(const std::string& text) : log(sorted(text)) {
    settings.name = "the instrument";
    settings.driver = log.all.driver;
    settings.reply = log.all.reply.value_or(std::chrono::milliseconds(400));
    settings.identity = log.all.identity;
    // What is written by hand is played with short quiet times; a recorded log was made with the driver's own.
    quick = !log.all.recorded;
  }

  // `wire()` gives the driver its end of the line.
  template <class MakeWire>
  void make_driver(MakeWire wire) {
    if (log.all.driver == "scpi-scanner")
      scanner = std::make_unique<LineScanner>(wire(), settings, codec<drivers::ScpiScanner, ScannerCodec>());
    else if (log.all.driver == "scpi-source")
      source = std::make_unique<LineHeatSource>(wire(), settings, codec<drivers::ScpiSource, HeatSourceCodec>());
    else if (log.all.driver == "dialect")
      speak_dialect(wire);
    else
      throw std::runtime_error("the log names no driver");
  }

  template <class Own, class Codec>
  std::unique_ptr<Codec> codec() const {
    if (quick) return std::make_unique<Quick<Own>>();
    return std::make_unique<Own>();
  }

  template <class MakeWire>
  void speak_dialect(MakeWire wire) {
    // A dialect that only a log wants lies beside it.
    const std::string root = NIGHTWELL_SOURCE_DIR, name = log.all.dialect + ".json";
    std::ifstream file(root + "/drivers/dialects/" + name);
    if (!file) file.open(root + "/tests/wirelogs/" + name);
    std::ostringstream text;
    text << file.rdbuf();
    const auto dialect = dialect_of(text.str());
    if (dialect->registers)
      source = std::make_unique<LineHeatSource>(wire(), settings,
                                                std::make_unique<modbus::ModbusSource>(dialect, Duration(0)));
    else if (dialect->role == dialect::Role::scanner)
      scanner = std::make_unique<LineScanner>(wire(), settings, std::make_unique<dialect::DialectScanner>(dialect));
    else
      source = std::make_unique<LineHeatSource>(wire(), settings, std::make_unique<dialect::DialectSource>(dialect));
  }

  void problem(const Step& step, const std::string& what) {
    problems.push_back("line " + std::to_string(step.line) + ": " + what);
  }
  void sent_otherwise(const Step& step, const std::string& got) {
    problem(step, "the driver sent \"" + printable(got) + "\" instead of \"" + wire_log::escaped(step.text) + "\"");
  }

  Log log;
  ConnectionSettings settings;
  asio::io_context io{1};
  bool quick = true;
  std::shared_ptr<MemoryLine> memory;  // none: a real line
  std::unique_ptr<Scanner> scanner;
  std::unique_ptr<HeatSource> source;
  std::vector<std::string> problems;
};

// ---- the instrument's side, on a real line ----

asio::awaitable<void> wait(Player& player, std::chrono::milliseconds length) {
  if (player.memory) {
    player.memory->now += length;
    co_return;
  }
  asio::steady_timer timer(player.io);
  timer.expires_after(length);
  co_await timer.async_wait(use_tuple);
}

asio::awaitable<void> play_instrument(Player& player, FakeLine& line) {
  for (const Step& step : player.log.instrument) {
    if (step.mark == Mark::sent) {
      const std::string got = co_await line.receive(step.text);
      if (got != step.text) {
        player.sent_otherwise(step, got);
        line.close();
        co_return;
      }
    } else if (step.mark == Mark::received) {
      std::string bytes = step.text;
      co_await line.send(std::move(bytes));
    } else if (step.mark == Mark::wait) {
      co_await wait(player, step.wait);
    } else if (step.mark == Mark::unplugged) {
      line.unplug();
    } else if (step.mark == Mark::plugged) {
      line.plug_in();
    } else if (step.mark == Mark::flood) {
      std::string bytes(flood_bytes, 'x');
      co_await line.send(std::move(bytes));
    } else if (step.mark == Mark::lost) {
      player.problem(step, "lines are missing here");
      break;
    }
  }
  const std::string more = co_await line.receive();
  if (!more.empty()) player.problems.push_back("the driver sent more: \"" + printable(more) + "\"");
}

// ---- the instrument's side, in memory on virtual time ----

class Script {
 public:
  Script(Player& player, MemoryLine& line) : player_(player), line_(line), at_(line.now) {}

  void hear(const std::string& bytes) {
    heard_ += bytes;
    at_ = std::max(at_, line_.now);
    go_on();
  }
  void go_on() {
    for (; next_ < player_.log.instrument.size(); ++next_)
      if (!take(player_.log.instrument[next_])) return;
  }
  void finish() {
    if (next_ < player_.log.instrument.size())
      player_.problem(player_.log.instrument[next_], "the conversation never came so far");
    else if (!heard_.empty())
      player_.problems.push_back("the driver sent more: \"" + printable(heard_) + "\"");
  }

 private:
  // False: waits for the driver, or for nothing any more.
  bool take(const Step& step) {
    switch (step.mark) {
      case Mark::sent: return hears(step);
      case Mark::received: return line_.say(Chunk{until(at_), step.text}), true;
      case Mark::wait: return at_ += step.wait, true;
      case Mark::unplugged: return heard_.clear(), line_.unplug(until(at_)), true;
      case Mark::plugged: return line_.plug_in(until(at_)), true;
      case Mark::flood: return line_.say(Chunk{until(at_), std::string(flood_bytes, 'x')}), true;
      case Mark::lost: return player_.problem(step, "lines are missing here"), false;
      case Mark::call:
      case Mark::result:
      case Mark::silence:
      case Mark::ended: return true;
    }
    return true;
  }
  bool hears(const Step& step) {
    const bool as_written = heard_.starts_with(step.text);
    if (!as_written && !step.text.starts_with(heard_)) {
      player_.sent_otherwise(step, std::exchange(heard_, {}));
      next_ = player_.log.instrument.size();
    }
    if (as_written) heard_.erase(0, step.text.size());
    return as_written;
  }
  [[nodiscard]] Duration until(SteadyTime moment) const { return std::chrono::ceil<Duration>(moment - line_.now); }

  Player& player_;
  MemoryLine& line_;
  SteadyTime at_;
  std::size_t next_ = 0;
  std::string heard_;
};

// ---- the caller's side ----

std::vector<std::string> words(std::string_view text) {
  std::vector<std::string> out;
  while (!text.empty()) {
    const std::size_t space = std::min(text.find(' '), text.size());
    out.emplace_back(text.substr(0, space));
    text.remove_prefix(std::min(space + 1, text.size()));
  }
  return out;
}

asio::awaitable<std::string> call_scanner(Scanner& scanner, std::vector<std::string> call) {
  if (call.at(0) == "identify") {
    const Result<Identity> identity = co_await scanner.identify();
    co_return outcome(identity);
  }
  ChannelSetup channel;
  channel.address = to_int(call.at(1));
  channel.measures = quantity(call.at(2)).value();
  if (call.at(0) == "configure") {
    const Result<void> done = co_await scanner.configure(channel);
    co_return outcome(done);
  }
  const Result<Reading> reading = co_await scanner.read(channel);
  co_return outcome(reading);
}

asio::awaitable<std::string> call_source(HeatSource& source, std::vector<std::string> call) {
  const std::string& verb = call.at(0);
  if (verb == "identify") {
    const Result<Identity> identity = co_await source.identify();
    co_return outcome(identity);
  }
  if (verb == "set_target") {
    double t_c = 0;
    std::from_chars(call.at(1).data(), call.at(1).data() + call.at(1).size(), t_c);
    const Result<void> done = co_await source.set_target(t_c);
    co_return outcome(done);
  }
  if (verb == "set_output") {
    const bool on = call.at(1) == "on";
    const Result<void> done = co_await source.set_output(on);
    co_return outcome(done);
  }
  if (verb == "read_output") {
    const Result<bool> on = co_await source.read_output();
    co_return outcome(on);
  }
  if (verb == "read_target") {
    const Result<double> t_c = co_await source.read_target();
    co_return outcome(t_c);
  }
  const Result<double> t_c = co_await source.read_temperature();
  co_return outcome(t_c);
}

asio::awaitable<void> play_calls(Player& player) {
  std::string got = "nothing was called";
  for (const Step& step : player.log.calls) {
    if (step.mark == Mark::result) {
      // The words behind the code are for people and not compared.
      const bool is_error = step.text.starts_with("error ");
      if (is_error ? !got.starts_with(step.text + ":") : wire_log::escaped(got) != step.text)
        player.problem(step, "the caller got \"" + printable(got, 400) + "\"");
      continue;
    }
    std::vector<std::string> call = words(step.text);
    if (call.at(0) == "wait_ms") {
      const std::chrono::milliseconds length(to_int(call.at(1)));
      co_await wait(player, length);
      continue;
    }
    if (player.scanner)
      got = co_await call_scanner(*player.scanner, std::move(call));
    else
      got = co_await call_source(*player.source, std::move(call));
  }
  if (player.scanner) player.scanner->close();
  if (player.source) player.source->close();
}

}  // namespace

std::vector<std::string> play_wire_log(const std::string& text, LineKind kind) {
  Player player(text);
  FakeLine line(player.io, kind);
  player.settings.port = line.port();
  player.make_driver([&] { return make_wire(player.io, player.settings); });
  bool instrument_done = false;
  asio::co_spawn(player.io, play_instrument(player, line), [&](std::exception_ptr failed) {
    instrument_done = true;
    if (failed) player.problems.emplace_back("the instrument's side threw");
  });
  asio::co_spawn(player.io, play_calls(player), [&](std::exception_ptr failed) {
    if (failed) player.problems.emplace_back("the caller's side threw");
    line.close();
  });
  player.io.run_for(std::chrono::seconds(60));
  if (!instrument_done) player.problems.emplace_back("the conversation never ended");
  return player.problems;
}

namespace {

// A recorder of what is played in memory, to a text.
std::shared_ptr<WireRecorder> recorder_to(std::string& text, const Player& player, const MemoryLine& line) {
  WireRecorder::World world;
  world.write = [&text](std::string_view written) { text.append(written).append(1, '\n'); };
  world.finish = [](std::chrono::milliseconds) { return true; };
  world.now = [&line] { return line.now; };
  world.utc = [] { return std::string("2026-11-26T22:00:00.000Z"); };
  ConnectionSettings settings = player.settings;
  settings.dialect = "{\"dialect\":\"" + player.log.all.dialect + "\"}";
  return std::make_shared<WireRecorder>(settings, std::move(world));
}

std::vector<std::string> play_in_memory(Player& player, std::string* record) {
  Script* script = nullptr;
  const auto line = std::make_shared<MemoryLine>("", [&](const std::string& bytes) {
    script->hear(bytes);
    return std::vector<Chunk>();
  });
  line->keep_heard = false;
  player.memory = line;
  Script played(player, *line);
  script = &played;
  const auto recorder = record == nullptr ? nullptr : recorder_to(*record, player, *line);
  player.make_driver([&] { return recorder ? recorded(wire_to(line), recorder) : wire_to(line); });
  if (recorder && player.scanner) player.scanner = recorded(std::move(player.scanner), recorder);
  if (recorder && player.source) player.source = recorded(std::move(player.source), recorder);
  played.go_on();
  bool done = false;
  asio::co_spawn(player.io, play_calls(player), [&](std::exception_ptr failed) {
    done = true;
    if (failed) player.problems.emplace_back("the caller's side threw");
  });
  player.io.run();
  if (!done) player.problems.emplace_back("the conversation never ended");
  played.finish();
  return player.problems;
}

}  // namespace

std::vector<std::string> play_wire_log_in_memory(const std::string& text) {
  Player player(text);
  return play_in_memory(player, nullptr);
}

Recorded record_in_memory(const std::string& text) {
  Recorded out;
  Player player(text);
  out.problems = play_in_memory(player, &out.log);
  return out;
}

std::vector<std::string> play_recorded_quickly(const std::string& text) {
  Player player(text);
  player.quick = true;
  return play_in_memory(player, nullptr);
}

}  // namespace nightwell::instrument::test
