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
    open_ = true;
    co_return Result<void>();
  }
  asio::awaitable<Result<void>> write_all(std::string_view bytes, SteadyTime) override {
    line_->hear(bytes);
    co_return Result<void>();
  }
  asio::awaitable<Result<std::size_t>> read_some(std::span<char> into, SteadyTime deadline) override {
    if (line_->arriving.empty() || line_->arriving.front().first > deadline) {
      line_->now = std::max(line_->now, deadline);
      co_return Error{Errc::no_answer, "reading", "the deadline passed", ""};
    }
    line_->now = std::max(line_->now, line_->arriving.front().first);
    co_return take(into);
  }
  Result<std::size_t> read_now(std::span<char> into) override {
    if (line_->arriving.empty() || line_->arriving.front().first > line_->now) return std::size_t{0};
    return take(into);
  }
  bool write_now(std::string_view bytes) override {
    line_->hear(bytes);
    return true;
  }
  [[nodiscard]] bool is_open() const override { return open_; }
  [[nodiscard]] bool has_hung_up() const override { return false; }
  void close() override { open_ = false; }

 private:
  std::size_t take(std::span<char> into) {
    std::string& bytes = line_->arriving.front().second;
    const std::size_t count = std::min(into.size(), bytes.size());
    std::copy_n(bytes.begin(), count, into.begin());
    bytes.erase(0, count);
    if (bytes.empty()) line_->arriving.pop_front();
    return count;
  }

  std::shared_ptr<MemoryLine> line_;
  bool open_ = false;
};

class MemoryWire final : public Wire {
 public:
  explicit MemoryWire(std::shared_ptr<MemoryLine> line) : line_(std::move(line)) {}
  [[nodiscard]] SteadyTime now() const override { return line_->now; }
  asio::awaitable<void> pause(Duration length) override {
    line_->now += length;
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
