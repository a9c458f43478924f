#include "instrument/line_link.hpp"

#include <algorithm>
#include <chrono>
#include <utility>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::instrument {

namespace {

constexpr std::size_t read_chunk = 1024;
constexpr int marker_rounds = 3;
// A line that is still talking after this many quiet times is not draining, it is broken.
constexpr int longest_drain = 15;

std::string_view without_end(std::string_view bytes) {
  while (!bytes.empty() && (bytes.back() == '\n' || bytes.back() == '\r')) bytes.remove_suffix(1);
  return bytes;
}

}  // namespace

LineLink::LineLink(asio::io_context& io, Port port, LineSettings line, Duration reply)
    : LineLink(make_wire(io, port), port_name(port), std::move(line), reply) {}

LineLink::LineLink(std::unique_ptr<Wire> wire, std::string where, LineSettings line, Duration reply)
    : wire_(std::move(wire)),
      where_(std::move(where)),
      line_(std::move(line)),
      reply_(reply),
      buffer_(line_.longest_reply + read_chunk) {}

asio::awaitable<Result<void>> LineLink::open() {
  suspect_ = true;
  forget_received();
  opened_pty_ = wire_->pty_behind();
  if (opened_pty_ && opened_pty_ == dead_pty_)
    co_return fault(Errc::port_gone,
                    "the pseudo-terminal that stood here has hung up; its number may be a stranger's by now");
  port_ = wire_->make_port();
  const auto port = port_;  // close() may let go of it while we wait
  const Result<void> opened = co_await port->open(wire_->now() + reply_);
  if (port != port_) {
    port->close();
    co_return fault(Errc::port_gone, "closed while it was being opened");
  }
  if (!opened) {
    port_.reset();
    co_return opened.error();
  }
  co_return co_await drain();
}

void LineLink::close() {
  suspect_ = true;
  wire_->end_pause();
  if (const auto port = std::exchange(port_, nullptr)) port->close();
}

Error LineLink::fault(Errc code, std::string detail) {
  Error error;
  error.code = code;
  error.detail = std::move(detail);
  error.where = where_;
  suspect_ = true;
  return error;
}

// A port that is gone is let go of at once: holding on to it would keep its name from coming back. A call that was
// only cancelled leaves it open: opening it anew would reset many an instrument.
Error LineLink::lost(Error error) {
  suspect_ = true;
  if (port_ && port_->has_hung_up()) {
    dead_pty_ = opened_pty_;
    std::exchange(port_, nullptr)->close();
  }
  return error;
}

// Terminators, NULs, and whole lines that are set aside.
bool LineLink::means_nothing(std::string_view bytes) const {
  while (!bytes.empty()) {
    if (bytes.front() == '\0' || ends_reply(bytes.front())) {
      bytes.remove_prefix(1);
      continue;
    }
    const std::size_t end = bytes.find_first_of(line_.reply_ends);
    if (end == std::string_view::npos || !is_set_aside(bytes.substr(0, end))) return false;
    bytes.remove_prefix(end + 1);
  }
  return true;
}

bool LineLink::ready() {
  if (!is_open()) return false;
  const std::span<char> room(buffer_);
  for (;;) {
    const Result<std::size_t> count = port_->read_now(room);
    if (!count) {
      (void)lost(count.error());
      return false;
    }
    if (*count == 0) break;
    if (!means_nothing(std::string_view(buffer_.data(), *count))) {
      suspect_ = true;
      break;  // the drain takes the rest; an endless stream must not hold us here
    }
  }
  forget_received();
  return !suspect_ && is_rested();
}

asio::awaitable<void> LineLink::pause(Duration length) {
  co_await wire_->pause(length);
}

asio::awaitable<void> LineLink::rest() {
  const auto rested = wire_->now() - last_talk_;
  if (rested < line_.gap) co_await pause(std::chrono::ceil<Duration>(line_.gap - rested));
}

asio::awaitable<Result<void>> LineLink::keep_gap() {
  co_await rest();
  if (!is_open()) co_return fault(Errc::port_gone, "the port is closed");
  co_return Result<void>();
}

asio::awaitable<Result<void>> LineLink::send(std::string_view bytes) {
  if (line_.gap > Duration::zero()) {
    const Result<void> rested = co_await keep_gap();
    if (!rested) co_return rested.error();
  }
  const auto port = port_;
  if (!port) co_return fault(Errc::port_gone, "the port is closed");
  const SteadyTime deadline = wire_->now() + reply_;
  if (cut_off_) {
    const Result<void> spoiled = co_await port->write_all(line_.spoil, deadline);
    if (!spoiled) co_return lost(spoiled.error());
  }
  cut_off_ = true;
  const Result<void> sent = co_await port->write_all(bytes, deadline);
  if (!sent) co_return lost(sent.error());
  cut_off_ = false;
  if (line_.gap > Duration::zero()) last_talk_ = wire_->now();
  co_return Result<void>();
}

LineLink::Awaiting::~Awaiting() {
  link_.awaiting_ = false;
  if (const std::string bytes = std::exchange(link_.deferred_, ""); !bytes.empty()) link_.send_regardless(bytes);
}

void LineLink::send_regardless(std::string_view bytes) {
  suspect_ = true;
  if (!port_) return;
  if (line_.takes_turns && awaiting_) {
    deferred_ = bytes;
    return;
  }
  if (cut_off_ && !port_->write_now(line_.spoil)) return;
  cut_off_ = !port_->write_now(bytes);
}

asio::awaitable<Result<std::string_view>> LineLink::query(const Message& message) {
  forget_received();
  suspect_ = true;  // until the reply has arrived: a cancelled call leaves by an exception
  odd_ = false;
  const Awaiting awaiting(*this);
  const Result<void> sent = co_await send(message.bytes);
  if (!sent) co_return sent.error();

  const SteadyTime deadline = wire_->now() + time_for(message);
  if (line_.echoes) {
    const Result<void> echo = co_await read_echo(message.bytes, deadline);
    if (!echo) co_return echo.error();
  }
  reply_text_.clear();
  if (message.answered) {
    const Result<void> reply = co_await read_reply(message, deadline);
    if (!reply) co_return reply.error();
  }
  if (!line_.prompt.empty()) {
    const Result<void> prompt = co_await read_prompt(deadline);
    if (!prompt) co_return prompt.error();
  }
  last_talk_ = wire_->now();
  if (!nothing_left()) co_return fault(Errc::garbled, "more came than the one reply to one question");
  suspect_ = false;
  if (!deferred_.empty()) co_await rest();
  co_return std::string_view(reply_text_);
}

asio::awaitable<Result<void>> LineLink::read_echo(std::string_view sent, SteadyTime deadline) {
  const bool by_line = !line_.reply_ends.empty();
  const std::string_view wanted = by_line ? without_end(sent) : sent;
  Result<std::string_view> echo = std::string_view();
  if (by_line)
    echo = co_await read_line(deadline);
  else
    echo = co_await read_bytes(wanted.size(), deadline);
  if (!echo) co_return echo.error();
  if (*echo != wanted) co_return fault(Errc::garbled, "expected our own bytes back, got \"" + printable(*echo) + "\"");
  co_return Result<void>();
}

asio::awaitable<Result<void>> LineLink::read_reply(const Message& message, SteadyTime deadline) {
  if (message.reply.ends == ReplyShape::Ends::by_header) co_return co_await read_frame(message, deadline);
  if (message.reply.ends != ReplyShape::Ends::after_bytes) co_return co_await read_lines(message, deadline);
  const Result<std::string_view> bytes = co_await read_bytes(message.reply.count, deadline);
  if (!bytes) co_return bytes.error();
  reply_text_.assign(*bytes);
  co_return Result<void>();
}

asio::awaitable<Result<void>> LineLink::read_lines(const Message& message, SteadyTime deadline) {
  const ReplyShape& shape = message.reply;
  const bool by_count = shape.ends == ReplyShape::Ends::after_lines;
  for (std::size_t lines = 0; !by_count || lines < shape.count; ++lines) {
    const Result<std::string_view> line = co_await read_line(deadline);
    if (!line) co_return line.error();
    if (lines == 0 && !line_.echoes && *line == without_end(message.bytes))
      co_return fault(Errc::garbled, "the line repeats what we send; its driver states no echo");
    if (!by_count && *line == shape.last_line) break;
    if (lines > 0) reply_text_ += '\n';
    reply_text_ += *line;
    if (reply_text_.size() > line_.longest_reply)
      co_return fault(Errc::garbled, "a reply of more than " + std::to_string(line_.longest_reply) + " bytes");
  }
  co_return Result<void>();
}

asio::awaitable<Result<void>> LineLink::read_prompt(SteadyTime deadline) {
  for (;;) {
    skip_reply_ends();
    const std::string_view got = received().substr(0, line_.prompt.size());
    if (got == line_.prompt) break;
    if (!line_.prompt.starts_with(got))
      co_return fault(Errc::garbled, "expected its prompt, got \"" + printable(received()) + "\"");
    const Result<void> more = co_await receive_more(deadline);
    if (!more) co_return more.error();
  }
  begin_ += line_.prompt.size();
  scanned_ = begin_;
  co_return Result<void>();
}

bool LineLink::take_line(std::string_view& line) {
  std::size_t leading = 0;
  while (begin_ < end_ && scanned_ == begin_ && ends_reply(buffer_[begin_])) {
    ++begin_;
    scanned_ = begin_;
    ++leading;
  }
  if (leading > 1) odd_ = true;  // one may be the other half of the last reply's CR LF
  while (scanned_ < end_ && !ends_reply(buffer_[scanned_])) ++scanned_;
  if (scanned_ == end_) return false;
  line = std::string_view(buffer_.data() + begin_, scanned_ - begin_);
  begin_ = ++scanned_;
  return true;
}

void LineLink::skip_reply_ends() {
  while (begin_ < end_ && ends_reply(buffer_[begin_])) ++begin_;
  scanned_ = std::max(scanned_, begin_);
}

bool LineLink::nothing_left() {
  const std::size_t before = begin_;
  skip_reply_ends();
  if (begin_ - before > 1) odd_ = true;
  if (!means_nothing(received()) || received().find('\0') != std::string_view::npos) return false;
  begin_ = scanned_ = end_;
  return true;
}

// Never moves more than longest_reply bytes.
void LineLink::make_room() {
  if (begin_ == end_) forget_received();
  if (end_ < buffer_.size()) return;
  std::copy(buffer_.begin() + static_cast<std::ptrdiff_t>(begin_), buffer_.end(), buffer_.begin());
  end_ -= begin_;
  scanned_ -= begin_;
  begin_ = 0;
}

asio::awaitable<Result<void>> LineLink::receive_more(SteadyTime deadline) {
  const auto port = port_;
  if (!port) co_return fault(Errc::port_gone, "the port is closed");
  make_room();
  const std::span<char> room(buffer_.data() + end_, buffer_.size() - end_);
  const Result<std::size_t> count = co_await port->read_some(room, deadline);
  if (count) {
    end_ += *count;
    co_return Result<void>();
  }
  if (count.error().code != Errc::no_answer) co_return lost(count.error());
  const std::string_view part = received();
  co_return fault(Errc::no_answer, part.empty()
                                       ? "no reply before the deadline"
                                       : "only part of a reply before the deadline: \"" + printable(part) + "\"");
}

asio::awaitable<Result<std::string_view>> LineLink::read_line(SteadyTime deadline) {
  for (;;) {
    std::string_view line;
    const bool whole = take_line(line);
    if ((whole ? line.size() : end_ - begin_) > line_.longest_reply) {
      forget_received();
      co_return fault(Errc::garbled,
                      "a reply of more than " + std::to_string(line_.longest_reply) + " bytes without an end");
    }
    if (whole && is_set_aside(line)) continue;
    if (whole) co_return line;
    const Result<void> more = co_await receive_more(deadline);
    if (!more) co_return more.error();
  }
}

asio::awaitable<Result<std::string_view>> LineLink::read_bytes(std::size_t count, SteadyTime deadline) {
  while (received().size() < count) {
    const Result<void> more = co_await receive_more(deadline);
    if (!more) co_return more.error();
  }
  const std::string_view bytes = received().substr(0, count);
  begin_ += count;
  scanned_ = std::max(scanned_, begin_);
  co_return bytes;
}

asio::awaitable<Result<void>> LineLink::read_frame(const Message& message, SteadyTime deadline) {
  for (;;) {
    const std::size_t length = message.reply.length(received());
    if (length > line_.longest_reply)
      co_return fault(Errc::garbled, "no reply begins with \"" + printable(received()) + "\"");
    if (length > 0 && received().size() >= length) {
      const Result<std::string_view> frame = co_await read_bytes(length, deadline);
      if (!frame) co_return frame.error();
      reply_text_.assign(*frame);
      co_return Result<void>();
    }
    const Result<void> more = co_await receive_more(deadline);
    if (!more) co_return more.error();
  }
}

asio::awaitable<Result<void>> LineLink::drain() {
  const auto port = port_;
  if (!port) co_return fault(Errc::port_gone, "the port is closed");
  forget_received();
  const SteadyTime give_up = wire_->now() + longest_drain * line_.quiet;
  const std::span<char> room(buffer_);
  for (;;) {
    const SteadyTime quiet = wire_->now() + line_.quiet;
    if (quiet > give_up) co_return fault(Errc::garbled, "the line never falls quiet");
    const Result<std::size_t> count = co_await port->read_some(room, quiet);
    if (count) continue;
    if (count.error().code == Errc::no_answer) co_return Result<void>();
    co_return lost(count.error());
  }
}

std::string_view LineLink::without_prompts(std::string_view line) const {
  while (!line_.prompt.empty() && line.starts_with(line_.prompt)) line.remove_prefix(line_.prompt.size());
  return line;
}

// Asks the marker and reads on until its answer. `skip_late`: what comes before it are late answers and dropped.
asio::awaitable<Result<void>> LineLink::exchange_marker(const Message& marker, std::string_view known, bool skip_late) {
  const Awaiting awaiting(*this);
  const Result<void> sent = co_await send(marker.bytes);
  if (!sent) co_return sent.error();
  const SteadyTime deadline = wire_->now() + time_for(marker);
  Result<void> found;
  if (marker.reply.ends == ReplyShape::Ends::after_bytes || marker.reply.ends == ReplyShape::Ends::by_header)
    found = co_await find_bytes(marker, known, skip_late, deadline);
  else
    found = co_await find_lines(marker, known, skip_late, deadline);
  if (!found) co_return found.error();
  if (!line_.prompt.empty()) co_return co_await read_prompt(deadline);
  co_return Result<void>();
}

asio::awaitable<Result<void>> LineLink::find_lines(const Message& marker, std::string_view known, bool skip_late,
                                                   SteadyTime deadline) {
  std::string heard;  // the newest lines, as many as the marker's reply has
  std::size_t lines = 0;
  for (;;) {
    const Result<std::string_view> line = co_await read_line(deadline);
    if (!line) co_return line.error();
    const std::string_view text = without_prompts(*line);
    if (text.empty()) continue;  // a late prompt, alone
    if (line_.echoes && text == without_end(marker.bytes)) {
      heard.clear();
      lines = 0;
      continue;
    }
    if (lines == marker.reply.count) {
      const std::size_t first = heard.find('\n');
      heard.erase(0, first == std::string::npos ? first : first + 1);
      --lines;
    }
    if (lines++ > 0) heard += '\n';
    heard += text;
    if (heard == known) co_return Result<void>();
    if (!skip_late && !known.starts_with(heard))
      co_return fault(Errc::garbled, "expected its identity again, got \"" + printable(heard) + "\"");
  }
}

asio::awaitable<Result<void>> LineLink::find_bytes(const Message& marker, std::string_view known, bool skip_late,
                                                   SteadyTime deadline) {
  const std::size_t echoed = line_.echoes ? marker.bytes.size() : 0;
  for (;;) {
    const std::size_t at = received().find(known, skip_late ? 0 : echoed);
    if (at != std::string_view::npos && (skip_late || at == echoed)) {
      begin_ += at + known.size();
      scanned_ = std::max(scanned_, begin_);
      co_return Result<void>();
    }
    const std::size_t size = received().size();
    if (!skip_late && size >= echoed + known.size())
      co_return fault(Errc::garbled, "expected its identity again, got \"" + printable(received()) + "\"");
    if (size > line_.longest_reply) begin_ = scanned_ = end_ - std::min(known.size(), size);
    const Result<void> more = co_await receive_more(deadline);
    if (!more) co_return more.error();
  }
}

asio::awaitable<Result<void>> LineLink::resynchronise(const Message& marker, std::string_view known) {
  Error last;
  for (int round = 0; round < marker_rounds; ++round) {
    suspect_ = true;
    const Result<void> drained = co_await drain();
    if (!drained) co_return drained.error();
    Result<void> step = co_await exchange_marker(marker, known, true);
    if (step) step = co_await exchange_marker(marker, known, false);
    if (!step && step.error().code != Errc::garbled) co_return step.error();
    if (!step) {
      last = step.error();
      continue;
    }
    // Answers to markers of an earlier attempt may follow; only silence after the second proves that we are
    // in step.
    const bool alone = nothing_left();
    const SteadyTime quiet = wire_->now() + line_.quiet;
    const Result<std::string_view> more = co_await read_line(quiet);
    if (more || !alone) {
      last = fault(Errc::garbled, "answers keep coming after the marker's");
      continue;
    }
    if (more.error().code == Errc::port_gone) co_return more.error();
    if (more.error().code == Errc::no_answer && begin_ == end_) {
      forget_received();
      suspect_ = false;
      co_return Result<void>();
    }
    last = more.error();
  }
  co_return last;
}

}  // namespace nightwell::instrument
