#include "instrument/line_link.hpp"

#include <algorithm>
#include <chrono>
#include <utility>

#include "instrument/awaitable.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::instrument {

namespace {

constexpr std::size_t read_chunk = 1024;
constexpr int marker_rounds = 3;
// A line that is still talking after this many quiet times is not draining, it is broken.
constexpr int longest_drain = 15;

SteadyTime now() {
  return std::chrono::steady_clock::now();
}

std::string_view without_end(std::string_view bytes) {
  while (!bytes.empty() && (bytes.back() == '\n' || bytes.back() == '\r')) bytes.remove_suffix(1);
  return bytes;
}

}  // namespace

LineLink::LineLink(asio::io_context& io, Port port, LineSettings line, Duration reply)
    : io_(io),
      settings_(std::move(port)),
      line_(std::move(line)),
      reply_(reply),
      pause_(io),
      buffer_(line_.longest_reply + read_chunk) {}

asio::awaitable<Result<void>> LineLink::open() {
  suspect_ = true;
  forget_received();
  if (const auto* pty = std::get_if<PtyPort>(&settings_)) {
    opened_pty_ = pty_mark(*pty);
    if (opened_pty_ && opened_pty_ == dead_pty_)
      co_return fault(Errc::port_gone,
                      "the pseudo-terminal that stood here has hung up; its number may be a stranger's by now");
  }
  port_ = std::make_shared<OpenPort>(io_, settings_);
  const auto port = port_;  // close() may let go of it while we wait
  const Result<void> opened = co_await port->open(now() + reply_);
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
  pause_.cancel();
  if (const auto port = std::exchange(port_, nullptr)) port->close();
}

Error LineLink::fault(Errc code, std::string detail) {
  Error error;
  error.code = code;
  error.detail = std::move(detail);
  error.where = port_name(settings_);
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

bool LineLink::means_nothing(std::string_view bytes) const {
  return std::all_of(bytes.begin(), bytes.end(), [this](char c) { return c == '\0' || ends_reply(c); });
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
  const bool rested = line_.gap == Duration::zero() || now() - last_reply_ >= line_.gap;
  return !suspect_ && rested;
}

asio::awaitable<void> LineLink::pause(Duration length) {
  pause_.expires_after(length);
  co_await pause_.async_wait(use_tuple);
}

asio::awaitable<Result<void>> LineLink::keep_gap() {
  const auto rested = now() - last_reply_;
  if (rested < line_.gap) co_await pause(std::chrono::ceil<Duration>(line_.gap - rested));
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
  const SteadyTime deadline = now() + reply_;
  if (cut_off_) {
    const Result<void> spoiled = co_await port->write_all(line_.spoil, deadline);
    if (!spoiled) co_return lost(spoiled.error());
  }
  cut_off_ = true;
  const Result<void> sent = co_await port->write_all(bytes, deadline);
  if (!sent) co_return lost(sent.error());
  cut_off_ = false;
  co_return Result<void>();
}

void LineLink::send_regardless(std::string_view bytes) {
  suspect_ = true;
  if (!port_) return;
  if (cut_off_ && !port_->write_now(line_.spoil)) return;
  cut_off_ = !port_->write_now(bytes);
}

asio::awaitable<Result<std::string_view>> LineLink::query(std::string_view bytes) {
  forget_received();
  suspect_ = true;  // until the reply has arrived: a cancelled call leaves by an exception
  odd_ = false;
  const Result<void> sent = co_await send(bytes);
  if (!sent) co_return sent.error();

  const SteadyTime deadline = now() + reply_;
  Result<std::string_view> line = co_await read_line(deadline);
  if (line && *line == without_end(bytes)) {
    if (!line_.echoes) co_return fault(Errc::garbled, "the line repeats what we send; its driver states no echo");
    line = co_await read_line(deadline);
  } else if (line && line_.echoes) {
    co_return fault(Errc::garbled, "expected our own bytes back, got \"" + printable(*line) + "\"");
  }
  if (!line) co_return line.error();
  last_reply_ = now();
  if (!only_reply_ends_left()) co_return fault(Errc::garbled, "more than one line came for one question");
  suspect_ = false;
  co_return *line;
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

bool LineLink::only_reply_ends_left() {
  std::size_t ends = 0;
  while (begin_ < end_ && ends_reply(buffer_[begin_])) ++begin_, ++ends;
  scanned_ = begin_;
  if (ends > 1) odd_ = true;
  return begin_ == end_;
}

asio::awaitable<Result<std::string_view>> LineLink::read_line(SteadyTime deadline) {
  const auto port = port_;
  if (!port) co_return fault(Errc::port_gone, "the port is closed");
  for (;;) {
    std::string_view line;
    const bool whole = take_line(line);
    if ((whole ? line.size() : end_ - begin_) > line_.longest_reply) {
      forget_received();
      co_return fault(Errc::garbled,
                      "a reply of more than " + std::to_string(line_.longest_reply) + " bytes without an end");
    }
    if (whole) co_return line;
    if (begin_ == end_) forget_received();
    if (end_ == buffer_.size()) {  // make room; never more than longest_reply bytes are moved
      std::copy(buffer_.begin() + static_cast<std::ptrdiff_t>(begin_), buffer_.end(), buffer_.begin());
      end_ -= begin_;
      scanned_ -= begin_;
      begin_ = 0;
    }
    const std::span<char> room(buffer_.data() + end_, buffer_.size() - end_);
    const Result<std::size_t> count = co_await port->read_some(room, deadline);
    if (!count && count.error().code == Errc::no_answer) {
      const std::string_view part(buffer_.data() + begin_, end_ - begin_);
      co_return fault(Errc::no_answer, part.empty()
                                           ? "no reply before the deadline"
                                           : "only part of a reply before the deadline: \"" + printable(part) + "\"");
    }
    if (!count) co_return lost(count.error());
    end_ += *count;
  }
}

asio::awaitable<Result<void>> LineLink::drain() {
  const auto port = port_;
  if (!port) co_return fault(Errc::port_gone, "the port is closed");
  forget_received();
  const SteadyTime give_up = now() + longest_drain * line_.quiet;
  const std::span<char> room(buffer_);
  for (;;) {
    const SteadyTime quiet = now() + line_.quiet;
    if (quiet > give_up) co_return fault(Errc::garbled, "the line never falls quiet");
    const Result<std::size_t> count = co_await port->read_some(room, quiet);
    if (count) continue;
    if (count.error().code == Errc::no_answer) co_return Result<void>();
    co_return lost(count.error());
  }
}

// Asks the marker and reads on until its answer. `skip_late`: other lines before it are late answers and
// dropped.
asio::awaitable<Result<void>> LineLink::exchange_marker(std::string_view marker, std::string_view known,
                                                        bool skip_late) {
  const Result<void> sent = co_await send(marker);
  if (!sent) co_return sent.error();
  const SteadyTime deadline = now() + reply_;
  for (;;) {
    const Result<std::string_view> line = co_await read_line(deadline);
    if (!line) co_return line.error();
    if (*line == known) co_return Result<void>();
    const bool echo = line_.echoes && *line == without_end(marker);
    if (!skip_late && !echo)
      co_return fault(Errc::garbled, "expected its identity again, got \"" + printable(*line) + "\"");
  }
}

asio::awaitable<Result<void>> LineLink::resynchronise(std::string_view marker, std::string_view known) {
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
    const bool alone = only_reply_ends_left();
    const SteadyTime quiet = now() + line_.quiet;
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
