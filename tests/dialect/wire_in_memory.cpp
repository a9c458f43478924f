#include "dialect/wire_in_memory.hpp"

#include <algorithm>
#include <stdexcept>

#include "dialect/read_dialect.hpp"

namespace nightwell::instrument::test {

namespace {

class MemoryPort final : public BytePort {
 public:
  explicit MemoryPort(std::shared_ptr<MemoryLine> line) : line_(std::move(line)) {}

  asio::awaitable<Result<void>> open(SteadyTime) override {
    if (!line_->is_plugged_in()) co_return gone("opening the port");
    open_ = true;
    opened_ = line_->now;
    co_return Result<void>();
  }
  asio::awaitable<Result<void>> write_all(std::string_view bytes, SteadyTime) override {
    if (is_gone_at(line_->now)) co_return hang_up("sending");
    line_->hear(bytes);
    co_return Result<void>();
  }
  asio::awaitable<Result<std::size_t>> read_some(std::span<char> into, SteadyTime deadline) override {
    const bool arrives = !line_->arriving.empty() && line_->arriving.front().first <= deadline;
    const SteadyTime until = arrives ? line_->arriving.front().first : deadline;
    if (const auto end = gone_at(); end && (arrives ? *end < until : *end <= until)) {
      line_->now = std::max(line_->now, *end);
      co_return hang_up("reading");
    }
    line_->now = std::max(line_->now, until);
    if (!arrives) co_return Error{Errc::no_answer, "reading", "the deadline passed", ""};
    co_return take(into);
  }
  Result<std::size_t> read_now(std::span<char> into) override {
    const bool arrived = !line_->arriving.empty() && line_->arriving.front().first <= line_->now;
    if (!arrived && is_gone_at(line_->now)) return hang_up("reading");
    if (!arrived) return std::size_t{0};
    return take(into);
  }
  bool write_now(std::string_view bytes) override {
    if (is_gone_at(line_->now)) return false;
    line_->hear(bytes);
    return true;
  }
  [[nodiscard]] bool is_open() const override { return open_; }
  [[nodiscard]] bool has_hung_up() const override { return hung_up_; }
  void close() override { open_ = false; }

 private:
  static Error gone(const char* doing) { return Error{Errc::port_gone, doing, "the line is unplugged", ""}; }
  // What was on its way is lost with the line.
  Error hang_up(const char* doing) {
    hung_up_ = true;
    while (!line_->arriving.empty() && line_->arriving.front().first <= line_->now) line_->arriving.pop_front();
    return gone(doing);
  }
  [[nodiscard]] std::optional<SteadyTime> gone_at() const {
    for (const auto& [at, plugged] : line_->plugs)
      if (at >= opened_ && !plugged) return at;
    return std::nullopt;
  }
  [[nodiscard]] bool is_gone_at(SteadyTime moment) const {
    const auto end = gone_at();
    return end && *end <= moment;
  }
  std::size_t take(std::span<char> into) {
    std::string& bytes = line_->arriving.front().second;
    const std::size_t count = std::min(into.size(), bytes.size());
    std::copy_n(bytes.begin(), count, into.begin());
    bytes.erase(0, count);
    if (bytes.empty()) line_->arriving.pop_front();
    return count;
  }

  std::shared_ptr<MemoryLine> line_;
  bool open_ = false, hung_up_ = false;
  SteadyTime opened_{};
};

class MemoryWire final : public Wire {
 public:
  explicit MemoryWire(std::shared_ptr<MemoryLine> line) : line_(std::move(line)) {}
  [[nodiscard]] SteadyTime now() const override { return line_->now; }
  asio::awaitable<void> pause(Duration length) override {
    line_->now += length;
    if (line_->paused) line_->paused();
    co_return;
  }
  void end_pause() override {}
  [[nodiscard]] std::shared_ptr<BytePort> make_port() override { return std::make_shared<MemoryPort>(line_); }
  [[nodiscard]] std::optional<PtyMark> pty_behind() const override { return std::nullopt; }

 private:
  std::shared_ptr<MemoryLine> line_;
};

}  // namespace

void MemoryLine::hear(std::string_view bytes) {
  partial += bytes;
  for (;;) {
    const std::size_t at = end.empty() ? partial.size() : partial.find(end);
    if (at == std::string::npos || partial.empty()) return;
    const std::string message = partial.substr(0, at);
    partial.erase(0, at + end.size());
    if (keep_heard) heard.push_back(message);
    for (const Chunk& chunk : instrument(message)) say(chunk);
  }
}

bool MemoryLine::is_plugged_in() const {
  bool plugged_in = true;
  for (const auto& [at, plugged] : plugs)
    if (at <= now) plugged_in = plugged;
  return plugged_in;
}

void MemoryLine::say(const Chunk& chunk) {
  SteadyTime at = now + chunk.after;
  if (!arriving.empty()) at = std::max(at, arriving.back().first);
  if (!chunk.bytes.empty()) arriving.emplace_back(at, chunk.bytes);
}

std::unique_ptr<Wire> wire_to(std::shared_ptr<MemoryLine> line) {
  return std::make_unique<MemoryWire>(std::move(line));
}

std::shared_ptr<const dialect::Dialect> dialect_of(const std::string& json) {
  auto read = dialect::dialect_from(json);
  if (!read) throw std::runtime_error(read.error().text());
  return *read;
}

}  // namespace nightwell::instrument::test
