// A line in memory on virtual time: what is sent reaches an instrument at once; what the instrument says arrives when it
// says, in order, as on every serial line. Nothing waits: time jumps to what is next.
#pragma once

#include <deque>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "dialect/dialect.hpp"
#include "instrument/wire.hpp"

namespace nightwell::instrument::test {

struct Chunk {
  Duration after{0};  // from now
  std::string bytes;
};

struct MemoryLine {
  using Instrument = std::function<std::vector<Chunk>(const std::string& message)>;  // without its end

  explicit MemoryLine(std::string end_of_messages, Instrument its_instrument)
      : end(std::move(end_of_messages)), instrument(std::move(its_instrument)) {}

  void hear(std::string_view bytes);
  // Never before what was said earlier.
  void say(const Chunk& chunk);
  // At a time from now: ports that are open hang up and none can be opened, until it is plugged in again.
  void unplug(Duration after) { plugs.emplace_back(now + after, false); }
  void plug_in(Duration after) { plugs.emplace_back(now + after, true); }
  [[nodiscard]] bool is_plugged_in() const;

  std::string end;  // of messages; empty: every write is one
  Instrument instrument;
  SteadyTime now{std::chrono::seconds(1)};
  std::deque<std::pair<SteadyTime, std::string>> arriving;
  std::vector<std::pair<SteadyTime, bool>> plugs;  // in the order of time
  std::string partial;
  std::vector<std::string> heard;
  bool keep_heard = true;
  std::function<void()> paused;  // called where a pause of the engine's ends
};

[[nodiscard]] std::unique_ptr<Wire> wire_to(std::shared_ptr<MemoryLine> line);

// A dialect from JSON text; throws where it is none.
[[nodiscard]] std::shared_ptr<const dialect::Dialect> dialect_of(const std::string& json);

}  // namespace nightwell::instrument::test
