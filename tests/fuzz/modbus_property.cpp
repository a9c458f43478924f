#include "fuzz/modbus_property.hpp"

#include <algorithm>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <chrono>
#include <cmath>

#include "dialect/wire_in_memory.hpp"
#include "instrument/line_heat_source.hpp"
#include "modbus/frame.hpp"
#include "modbus/furnace.hpp"
#include "modbus/source.hpp"

namespace nightwell::tests {

namespace {

using namespace instrument;
using namespace instrument::test;
using dialect::Framing;
using dialect::Table;

constexpr Duration fuzz_deadline = std::chrono::milliseconds(100);
constexpr Duration fuzz_quiet = std::chrono::milliseconds(100);  // of the shipped dialect
// line_instrument.hpp: garbage without end; a setting and its proof, park step and its proof, start-up behind a refusal.
constexpr Duration longest_call = 8 * 3 * (fuzz_deadline + 3 * (2 * fuzz_deadline + 17 * fuzz_quiet));

// Reads the input byte by byte; zeros when it is at its end.
class Script {
 public:
  explicit Script(std::string_view input) : input_(input) {}
  [[nodiscard]] bool ended() const { return input_.empty(); }
  unsigned next() {
    if (input_.empty()) return 0;
    const auto byte = static_cast<unsigned char>(input_.front());
    input_.remove_prefix(1);
    return byte;
  }
  std::string take(std::size_t count) {
    const std::string out(input_.substr(0, count));
    input_.remove_prefix(out.size());
    return out;
  }

 private:
  std::string_view input_;
};

struct PlayedFurnace {
  explicit PlayedFurnace(std::string_view input)
      : script(input),
        framing(script.next() % 2 == 0 ? Framing::rtu : Framing::tcp),
        server(modbus::test::furnace(framing)) {
    line = std::make_shared<MemoryLine>("", [this](const std::string& request) { return play(request); });
    ConnectionSettings settings;
    settings.name = "furnace";
    settings.reply = fuzz_deadline;
    static const auto on_line = dialect_of(modbus::test::furnace_dialect(Framing::rtu));
    static const auto on_network = dialect_of(modbus::test::furnace_dialect(Framing::tcp));
    const auto& spoken = framing == Framing::rtu ? on_line : on_network;
    source = std::make_unique<LineHeatSource>(wire_to(line), settings,
                                              std::make_unique<modbus::ModbusSource>(spoken, Duration(0)));
  }

  std::vector<Chunk> play(const std::string& request) {
    std::string reply = server.answer(request);
    const Duration after = std::chrono::milliseconds(script.ended() ? 1 : script.next());
    switch (script.next() % 6) {
      case 1: return {};
      case 2: return {Chunk{after, script.take(1 + script.next() % 64)}};
      case 3:
        if (!reply.empty()) reply[script.next() % reply.size()] = static_cast<char>(script.next());
        return {Chunk{after, std::move(reply)}};
      case 4: return {Chunk{after, std::move(reply)}, Chunk{after, script.take(script.next() % 16)}};
      case 5: return {Chunk{after, reply.substr(0, script.next() % (reply.size() + 1))}};
      default: return {Chunk{after, std::move(reply)}};
    }
  }

  [[nodiscard]] long heard(std::string_view data) const {
    return std::count_if(line->heard.begin(), line->heard.end(), [&](const std::string& one) {
      return std::string_view(one).substr(framing == Framing::rtu ? 1 : 7).starts_with(data);
    });
  }

  Script script;
  Framing framing;
  modbus::Server server;
  std::shared_ptr<MemoryLine> line;
  std::unique_ptr<LineHeatSource> source;
  asio::io_context io{1};
};

constexpr std::string_view sets_target("\x06\x00\x10", 3);
constexpr std::string_view switches_on("\x05\x00\x00\xFF\x00", 5);
constexpr std::string_view switches_off("\x05\x00\x00\x00\x00", 5);

asio::awaitable<void> converse(PlayedFurnace& lab, std::string& complaint) {
  bool known = false;
  SteadyTime begun = lab.line->now;
  const auto in_time = [&](const char* call) {
    if (lab.line->now - begun > longest_call && complaint.empty())
      complaint = std::string(call) + " took longer than its bound";
    begun = lab.line->now;
  };
  for (int round = 0; round < 3 && (round == 0 || !lab.script.ended()); ++round) {
    if (!known) {
      const auto identity = co_await lab.source->identify();
      known = identity.ok();
      in_time("the identity");
    }
    const auto temperature = co_await lab.source->read_temperature();
    if (temperature && !std::isfinite(*temperature)) complaint = "a temperature that is not finite";
    in_time("a temperature");
    const long targets = lab.heard(sets_target), ons = lab.heard(switches_on), offs = lab.heard(switches_off);
    const auto target = co_await lab.source->set_target(100);
    in_time("a target");
    const auto on = co_await lab.source->set_output(true);
    in_time("on");
    if (lab.heard(sets_target) > targets + 1 || lab.heard(switches_on) > ons + 1) complaint = "a setting sent twice";
    if (!known && lab.heard(sets_target) + lab.heard(switches_on) > 0) complaint = "heat without a proved identity";
    const auto off = co_await lab.source->set_output(false);
    in_time("off");
    if (known && lab.heard(switches_off) == offs) complaint = "off did not go out";
    if (off && lab.server.coils.at(0)) complaint = "off was confirmed, and the output is on";
    if (!complaint.empty()) co_return;
  }
}

}  // namespace

std::string complaint_about_conversation(std::string_view input) {
  PlayedFurnace lab(input);
  std::string complaint;
  asio::co_spawn(lab.io, converse(lab, complaint), [&](std::exception_ptr failed) {
    if (failed) complaint = "it threw";
  });
  lab.io.run();
  return complaint;
}

std::string complaint_about_frame(std::string_view input) {
  Script script(input);
  modbus::Peer peer;
  peer.framing = script.next() % 2 == 0 ? Framing::rtu : Framing::tcp;
  peer.unit = 17;
  constexpr Table tables[] = {Table::coil, Table::discrete, Table::input, Table::holding};
  const Table table = tables[script.next() % 4];
  const int count = 1 + static_cast<int>(script.next() % 125);
  const std::string frame = script.take(300);
  const bool tcp = peer.framing == Framing::tcp;
  const auto values = modbus::reply_values(peer, 0x4E01, modbus::ReadRequest{{table, 0}, count}, frame);
  if (!values) return values.error().detail.empty() ? "an error that says nothing" : "";
  if (values->size() != static_cast<std::size_t>(count)) return "another number of values than was asked";
  const std::size_t length = tcp ? modbus::tcp_reply_length(frame) : modbus::rtu_reply_length(frame);
  return length == frame.size() ? "" : "a reply of another length than its own bytes say";
}

std::string complaint_about_modbus_input(std::string_view input) {
  if (input.empty()) return "";
  const std::string_view rest = input.substr(1);
  return static_cast<unsigned char>(input.front()) % 4 == 0 ? complaint_about_frame(rest)
                                                            : complaint_about_conversation(rest);
}

}  // namespace nightwell::tests
