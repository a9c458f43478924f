#include "wire_log.hpp"

#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/steady_timer.hpp>
#include <charconv>
#include <cmath>
#include <fstream>
#include <memory>
#include <sstream>
#include <stdexcept>

#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"
#include "instrument/awaitable.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "nightwell/instrument/scpi.hpp"
#include "quick.hpp"

namespace nightwell::instrument::test {

namespace {

struct Step {
  int line = 0;
  char mark = 0;
  std::string text;
};

struct Log {
  std::string driver, dialect, identity;
  Duration reply{400'000};
  std::vector<Step> calls;       // ":" and "="
  std::vector<Step> instrument;  // ">" "<" "@" "!"
};

int to_int(std::string_view text) {
  int value = 0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (problem != std::errc{} || end != text.data() + text.size())
    throw std::runtime_error("not a whole number: " + std::string(text));
  return value;
}

std::string unescaped(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '\\') {
      out += text[i];
      continue;
    }
    const char kind = text.at(++i);
    if (kind == 'n') out += '\n';
    if (kind == 'r') out += '\r';
    if (kind == '\\') out += '\\';
    if (kind == 'x') {
      unsigned byte = 0;
      std::from_chars(text.data() + i + 1, text.data() + i + 3, byte, 16);
      out += static_cast<char>(byte);
      i += 2;
    }
  }
  return out;
}

void read_setting(Log& log, std::string_view text) {
  const std::size_t space = text.find(' ');
  const std::string_view key = text.substr(0, space);
  const std::string value(text.substr(space + 1));
  if (key == "driver")
    log.driver = value;
  else if (key == "dialect")
    log.dialect = value;
  else if (key == "identity")
    log.identity = value;
  else if (key == "reply_ms")
    log.reply = std::chrono::milliseconds(to_int(value));
  else
    throw std::runtime_error("unknown setting " + std::string(key));
}

Log parse(std::string_view text) {
  Log log;
  int number = 0;
  while (!text.empty()) {
    const std::size_t end = text.find('\n');
    const std::string_view line = text.substr(0, end);
    text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
    ++number;
    if (line.empty() || line.front() == '#') continue;
    Step step;
    step.line = number;
    step.mark = line.front();
    const bool spaced = step.mark == '@' || step.mark == '!';
    step.text = std::string(line.substr(spaced ? 1 : std::min<std::size_t>(2, line.size())));
    if (step.mark == '%')
      read_setting(log, step.text);
    else if (step.mark == ':' || step.mark == '=')
      log.calls.push_back(std::move(step));
    else if (step.mark == '>' || step.mark == '<' || spaced)
      log.instrument.push_back(std::move(step));
    else
      throw std::runtime_error("line " + std::to_string(number) + ": unknown mark");
  }
  return log;
}

// Everything that the two coroutines share; outlives both.
struct Player {
  Player(Log written, LineKind kind) : log(std::move(written)), line(io, kind) {
    ConnectionSettings settings;
    settings.name = "the instrument";
    settings.driver = log.driver;
    settings.port = line.port();
    settings.reply = log.reply;
    settings.identity = log.identity;
    if (log.driver == "scpi-scanner")
      scanner = std::make_unique<LineScanner>(io, settings, std::make_unique<Quick<drivers::ScpiScanner>>());
    else if (log.driver == "scpi-source")
      source = std::make_unique<LineHeatSource>(io, settings, std::make_unique<Quick<drivers::ScpiSource>>());
    else if (log.driver == "dialect")
      speak_dialect(settings);
    else
      throw std::runtime_error("the log names no driver");
  }

  void speak_dialect(const ConnectionSettings& settings) {
    std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + log.dialect + ".json");
    std::ostringstream text;
    text << file.rdbuf();
    const auto dialect = dialect::dialect_from(text.str());
    if (!dialect) throw std::runtime_error(dialect.error().text());
    line.message_end = (*dialect)->command_end.back();
    if ((*dialect)->role == dialect::Role::scanner)
      scanner = std::make_unique<LineScanner>(io, settings, std::make_unique<dialect::DialectScanner>(*dialect));
    else
      source = std::make_unique<LineHeatSource>(io, settings, std::make_unique<dialect::DialectSource>(*dialect));
  }

  void problem(const Step& step, const std::string& what) {
    problems.push_back("line " + std::to_string(step.line) + ": " + what);
  }

  Log log;
  asio::io_context io{1};
  FakeLine line;
  std::unique_ptr<LineScanner> scanner;
  std::unique_ptr<LineHeatSource> source;
  std::vector<std::string> problems;
};

asio::awaitable<void> play_instrument(Player& player) {
  for (const Step& step : player.log.instrument) {
    if (step.mark == '>') {
      const std::string got = co_await player.line.receive();
      if (got != unescaped(step.text)) {
        player.problem(step, "the driver sent \"" + printable(got) + "\" instead of \"" + step.text + "\"");
        player.line.close();
        co_return;
      }
    } else if (step.mark == '<') {
      std::string bytes = unescaped(step.text);
      co_await player.line.send(std::move(bytes));
    } else if (step.mark == '@') {
      asio::steady_timer timer(player.io);
      timer.expires_after(std::chrono::milliseconds(to_int(step.text)));
      co_await timer.async_wait(use_tuple);
    } else if (step.text == "eof") {
      player.line.unplug();
    } else if (step.text == "open") {
      player.line.plug_in();
    } else if (step.text == "flood") {
      for (int i = 0; i < 64; ++i) {  // far more than any reply may have; ends by itself
        std::string bytes(4096, 'x');
        co_await player.line.send(std::move(bytes));
      }
    } else if (step.text != "timeout") {
      player.problem(step, "unknown event");
    }
  }
  const std::string more = co_await player.line.receive();
  if (!more.empty()) player.problems.push_back("the driver sent more: \"" + printable(more) + "\"");
}

std::string outcome(const Error& error) {
  return std::string("error ") + name(error.code) + ": " + error.text();
}
std::string outcome(const Result<void>& done) {
  return done ? "done" : outcome(done.error());
}
std::string outcome(const Result<bool>& state) {
  if (!state) return outcome(state.error());
  return *state ? "on" : "off";
}
std::string outcome(const Result<double>& value) {
  if (!value) return outcome(value.error());
  std::array<char, 64> text{};
  const auto [end, problem] = std::to_chars(text.data(), text.data() + text.size(), *value);
  return std::string(text.data(), end);
}
std::string outcome(const Result<Reading>& reading) {
  if (!reading) return outcome(reading.error());
  return outcome(Result<double>(reading->value)) + (reading->odd ? " odd" : "");
}
std::string outcome(const Result<Identity>& identity) {
  if (!identity) return outcome(identity.error());
  std::string text = identity->text;
  for (const std::string& error : identity->old_errors) text += " | " + error;
  return text;
}

std::vector<std::string> words(std::string_view text) {
  std::vector<std::string> out;
  while (!text.empty()) {
    const std::size_t space = std::min(text.find(' '), text.size());
    out.emplace_back(text.substr(0, space));
    text.remove_prefix(std::min(space + 1, text.size()));
  }
  return out;
}

asio::awaitable<std::string> call_scanner(LineScanner& scanner, std::vector<std::string> call) {
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

asio::awaitable<std::string> call_source(LineHeatSource& source, std::vector<std::string> call) {
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
    if (step.mark == '=') {
      // The words behind the code are for people and not compared.
      const bool is_error = step.text.starts_with("error ");
      if (is_error ? !got.starts_with(step.text + ":") : got != step.text)
        player.problem(step, "the caller got \"" + printable(got, 400) + "\"");
      continue;
    }
    std::vector<std::string> call = words(step.text);
    if (call.at(0) == "wait_ms") {
      asio::steady_timer timer(player.io);
      timer.expires_after(std::chrono::milliseconds(to_int(call.at(1))));
      co_await timer.async_wait(use_tuple);
      continue;
    }
    if (player.scanner)
      got = co_await call_scanner(*player.scanner, std::move(call));
    else
      got = co_await call_source(*player.source, std::move(call));
  }
  if (player.scanner) player.scanner->close();
  if (player.source) player.source->close();
  player.line.close();
}

}  // namespace

std::vector<std::string> play_wire_log(const std::string& text, LineKind kind) {
  Player player(parse(text), kind);
  bool instrument_done = false;
  asio::co_spawn(player.io, play_instrument(player), [&](std::exception_ptr failed) {
    instrument_done = true;
    if (failed) player.problems.emplace_back("the instrument's side threw");
  });
  asio::co_spawn(player.io, play_calls(player), [&](std::exception_ptr failed) {
    if (failed) player.problems.emplace_back("the caller's side threw");
  });
  player.io.run_for(std::chrono::seconds(60));
  if (!instrument_done) player.problems.emplace_back("the conversation never ended");
  return player.problems;
}

}  // namespace nightwell::instrument::test
