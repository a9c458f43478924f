#include "fuzz/line_property.hpp"

#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/io_context.hpp>
#include <cmath>
#include <fstream>
#include <map>
#include <sstream>
#include <stdexcept>
#include <vector>

#include "dialect/codec.hpp"
#include "dialect/wire_in_memory.hpp"
#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::tests {

namespace {

using namespace instrument;
using instrument::test::Chunk;
using instrument::test::MemoryLine;

constexpr Duration reply_time{400'000};
// line_instrument.hpp's worst case, 3 (r + 3 (2 r + 17 q)), with q = 0.2 s and three attempts at an identity beside it; an
// "off" is two commands, a proof and two steps. polled-scanner waits 3 x 10 s besides.
constexpr Duration longest_call{6 * 60'000'000LL};

std::string file_text(const std::string& path) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + path, std::ios::binary);
  if (!file) throw std::runtime_error("no " + path);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

// An instrument's true replies, as its plain wire log has them.
struct Kind {
  const char* log;
  const char* dialect;  // a file, or empty
  bool heats;
  const char *target, *on, *off;  // how those messages begin
};
constexpr Kind kinds[] = {
    {"scanner-plain", "", false, "", "", ""},
    {"source-plain", "", true, "SOURce:TEMPerature:SPOint -25", "OUTPut:STATe ON", "OUTPut:STATe OFF"},
    {"terse-plain", "terse-bath", true, "S-025.00", "H1", "H0"},
    {"chatty-plain", "chatty-scanner", false, "", "", ""},
    {"polled-plain", "polled-scanner", false, "", "", ""}};
// What an instrument says at times instead, truly: it is not ready yet.
constexpr std::string_view asks_ready = "state?\n", not_ready = "state 2\n";

struct Spoken {
  std::map<std::string, std::string> replies;
  std::shared_ptr<const dialect::Dialect> dialect;
};

Spoken read_kind(const Kind& kind) {
  Spoken out;
  const auto log = wire_log::parse(file_text("/tests/wirelogs/" + std::string(kind.log) + ".log"));
  std::string* reply = nullptr;
  for (const wire_log::Step& step : log.value().steps) {
    if (step.mark == wire_log::Mark::sent) reply = &(out.replies[step.text] = "");
    if (step.mark == wire_log::Mark::received && reply != nullptr) *reply += step.text;
  }
  if (*kind.dialect != '\0')
    out.dialect = test::dialect_of(file_text("/drivers/dialects/" + std::string(kind.dialect) + ".json"));
  return out;
}

const Spoken& spoken(std::size_t kind) {
  static const std::vector<Spoken> all = [] {
    std::vector<Spoken> out;
    for (const Kind& one : kinds) out.push_back(read_kind(one));
    return out;
  }();
  return all[kind];
}

class Bytes {
 public:
  explicit Bytes(std::string_view bytes) : left_(bytes) {}
  unsigned next() {
    if (left_.empty()) return 0;
    const unsigned byte = static_cast<unsigned char>(left_.front());
    left_.remove_prefix(1);
    return byte;
  }
  std::string take(std::size_t count) {
    const std::string out(left_.substr(0, count));
    left_.remove_prefix(out.size());
    return out;
  }

 private:
  std::string_view left_;
};

// Answers as the bytes say.
class Instrument {
 public:
  Instrument(const Spoken& what, Bytes& bytes) : what_(what), bytes_(bytes) {}

  std::vector<Chunk> answer(const std::string& message, MemoryLine& line) {
    const auto found = what_.replies.find(message);
    std::string truth = found == what_.replies.end() ? "" : found->second;
    if (message == asks_ready && bytes_.next() % 3 != 0) truth = not_ready;
    const auto later = [&](unsigned steps) { return Duration(steps * 10'000LL); };
    switch (bytes_.next() % 12) {
      case 0: return {Chunk{later(0), truth}};
      case 1: return {};
      case 2: return {Chunk{later(bytes_.next()), truth}};
      case 3: return {Chunk{later(0), bytes_.take(bytes_.next())}};
      case 4: return {Chunk{later(0), damaged(truth)}};
      case 5: return {Chunk{later(0), truth.substr(0, bytes_.next() % (truth.size() + 1))}};
      case 6: return {Chunk{later(0), truth}, Chunk{later(bytes_.next()), truth}};
      case 7: {
        const std::size_t at = bytes_.next() % (truth.size() + 1);
        return {Chunk{later(0), truth.substr(0, at)}, Chunk{later(bytes_.next()), truth.substr(at)}};
      }
      case 8: return {Chunk{later(0), bytes_.take(bytes_.next() % 16) + truth}};
      case 9: return {Chunk{later(0), truth + bytes_.take(bytes_.next() % 16)}};
      case 10: return {Chunk{later(0), std::string(1 + bytes_.next() * 64UL, 'x')}};
      default: {
        if (!line.is_plugged_in() || line.plugs.size() > 20) return {};
        const Duration away = later(bytes_.next());
        line.unplug(away);
        line.plug_in(away + later(bytes_.next()));
        return {};
      }
    }
  }

 private:
  std::string damaged(std::string text) {
    const unsigned at = bytes_.next(), with = bytes_.next();
    if (!text.empty()) text[at % text.size()] = static_cast<char>(with);
    return text;
  }

  const Spoken& what_;
  Bytes& bytes_;
};

struct Night {
  std::shared_ptr<MemoryLine> line;
  std::string complaint;
  std::vector<std::string> sent;  // of the call that is going on

  void judge(bool good, const std::string& what) {
    if (!good && complaint.empty()) complaint = what;
  }
  std::size_t count(std::string_view beginning) const {
    std::size_t out = 0;
    for (const std::string& message : sent) out += message.starts_with(beginning) ? 1 : 0;
    return out;
  }
};

template <class T>
void judge_result(Night& night, const Result<T>& result) {
  if (!result)
    night.judge(!result.error().text().empty() && !result.error().detail.empty(), "an error that says nothing");
}

asio::awaitable<void> scan(Night& night, Scanner& scanner) {
  for (int round = 0; round < 6; ++round) {
    const SteadyTime begin = night.line->now;
    ChannelSetup channel;
    channel.address = 101;
    channel.measures = Quantity::resistance;
    if (round == 0) {
      const auto identity = co_await scanner.identify();
      judge_result(night, identity);
    } else {
      const auto reading = co_await scanner.read(channel);
      judge_result(night, reading);
      if (reading) night.judge(std::isfinite(reading->value) && std::abs(reading->value) <= 1e30, "no number");
    }
    night.judge(night.line->now - begin < longest_call, "a call that takes too long");
  }
  scanner.close();
}

asio::awaitable<void> heat(Night& night, HeatSource& source, const Kind& kind) {
  const auto identity = co_await source.identify();
  judge_result(night, identity);
  for (int round = 0; round < 2; ++round) {
    SteadyTime begin = night.line->now;
    night.sent.clear();
    const auto target = co_await source.set_target(-25);
    judge_result(night, target);
    night.judge(night.count(kind.target) <= 1, "a setpoint that was sent again");
    night.sent.clear();
    const auto on = co_await source.set_output(true);
    judge_result(night, on);
    night.judge(night.count(kind.on) <= 1, "an \"on\" that was sent again");
    const auto temperature = co_await source.read_temperature();
    judge_result(night, temperature);
    if (temperature) night.judge(std::isfinite(*temperature) && std::abs(*temperature) <= 1e30, "no number");
    const auto state = co_await source.read_output();
    judge_result(night, state);
    night.judge(night.line->now - begin < 4 * longest_call, "calls that take too long");

    begin = night.line->now;
    night.sent.clear();
    const bool there = identity && night.line->is_plugged_in() && night.line->plugs.empty();
    const auto off = co_await source.set_output(false);
    judge_result(night, off);
    night.judge(!there || night.count(kind.off) >= 1, "an \"off\" that did not go out");
    night.judge(!off || night.count(kind.off) >= 1, "an \"off\" that was done and not sent");
    night.judge(night.line->now - begin < longest_call, "an \"off\" that takes too long");
  }
  source.close();
}

ConnectionSettings settings_for(const Kind& kind) {
  ConnectionSettings settings;
  settings.name = kind.log;
  settings.reply = reply_time;
  return settings;
}

}  // namespace

std::string complaint_about_line(std::string_view input) {
  Bytes bytes(input);
  const std::size_t chosen = bytes.next() % std::size(kinds);
  const Kind& kind = kinds[chosen];
  const Spoken& what = spoken(chosen);
  Instrument instrument(what, bytes);
  Night night;
  night.line = std::make_shared<MemoryLine>("", [&](const std::string& message) {
    night.sent.push_back(message);
    return instrument.answer(message, *night.line);
  });
  night.line->keep_heard = false;
  asio::io_context io{1};
  std::unique_ptr<Scanner> scanner;
  std::unique_ptr<HeatSource> source;
  bool done = false;
  const auto ended = [&](std::exception_ptr failed) {
    done = true;
    night.judge(!failed, "an exception");
  };
  auto wire = test::wire_to(night.line);
  if (kind.heats) {
    std::unique_ptr<HeatSourceCodec> codec = std::make_unique<drivers::ScpiSource>();
    if (what.dialect) codec = std::make_unique<dialect::DialectSource>(what.dialect);
    source = std::make_unique<LineHeatSource>(std::move(wire), settings_for(kind), std::move(codec));
    asio::co_spawn(io, heat(night, *source, kind), ended);
  } else {
    std::unique_ptr<ScannerCodec> codec = std::make_unique<drivers::ScpiScanner>();
    if (what.dialect) codec = std::make_unique<dialect::DialectScanner>(what.dialect);
    scanner = std::make_unique<LineScanner>(std::move(wire), settings_for(kind), std::move(codec));
    asio::co_spawn(io, scan(night, *scanner), ended);
  }
  io.run();
  night.judge(done, "a call that never ended");
  return night.complaint;
}

}  // namespace nightwell::tests
