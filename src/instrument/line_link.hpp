// One line to one instrument: questions out, whole replies in, and always knowing whether the two are in
// step.
//
// A link is *suspect* from the moment a question is sent until its whole reply has arrived alone. A timeout,
// too long a reply, a reply that the codec refuses, bytes that nobody asked for, or a cancelled call leave it
// suspect. A suspect link is never asked for a value: resynchronise() drains it and asks a marker question
// (the identity, whose answer is known and is no number) twice. A late answer comes before the marker's, so
// it is dropped there and is never taken for the answer to a later question.
//
//   closed --open()--> suspect --resynchronise(), query()--> in step --query()--> in step | suspect
//   any --port gone, close()--> closed
//
// Errors: those of OpenPort, and garbled. Deadlines are real time. Lifetime: outlives its calls; one call at
// a time.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "instrument/open_port.hpp"
#include "instrument/tty.hpp"
#include "nightwell/instrument/codec.hpp"

namespace nightwell::instrument {

class LineLink {
 public:
  // `reply`: whole reply, from the last byte sent.
  LineLink(asio::io_context& io, Port port, LineSettings line, Duration reply);

  // Opens the port and drains it, so that a start-up banner or somebody else's replies are not ours. port_gone too
  // where a pty hung up and nothing new has come in its place.
  asio::awaitable<Result<void>> open();
  void close();

  // Looks, without waiting, at what arrived since the last reply and drops it. Terminators and NULs are
  // nothing; anything else makes the link suspect. True: open, in step, and the question may be sent now.
  bool ready();
  [[nodiscard]] bool is_open() const { return port_ && port_->is_open(); }
  [[nodiscard]] bool is_suspect() const { return suspect_; }
  void mark_suspect() { suspect_ = true; }

  // Sends a question and gives the one reply, without terminators. The view holds until the next call.
  // `bytes` must live until then. no_answer, garbled: the link is suspect.
  asio::awaitable<Result<std::string_view>> query(std::string_view bytes);
  // Sends what has no reply.
  asio::awaitable<Result<void>> send(std::string_view bytes);
  // Sends at once, whatever state the link is in, what must not wait for it.
  void send_regardless(std::string_view bytes);

  // Back in step, or an error and still suspect: no_answer, garbled (something else answers, or the line is
  // never quiet), port_gone. Takes at most about rounds x (2 x reply + 2 x quiet).
  asio::awaitable<Result<void>> resynchronise(std::string_view marker, std::string_view known);
  // Reads until the line has been quiet. garbled: it never is.
  asio::awaitable<Result<void>> drain();
  asio::awaitable<void> pause(Duration length);

  // Whether the newest reply had more than one terminator before or behind it.
  [[nodiscard]] bool was_odd() const { return odd_; }

 private:
  asio::awaitable<Result<std::string_view>> read_line(SteadyTime deadline);
  asio::awaitable<Result<void>> keep_gap();
  asio::awaitable<Result<void>> exchange_marker(std::string_view marker, std::string_view known, bool skip_late);
  bool take_line(std::string_view& line);
  bool only_reply_ends_left();
  [[nodiscard]] bool ends_reply(char byte) const { return line_.reply_ends.find(byte) != std::string::npos; }
  [[nodiscard]] bool means_nothing(std::string_view bytes) const;
  Error fault(Errc code, std::string detail);
  Error lost(Error error);
  void forget_received() { begin_ = scanned_ = end_ = 0; }

  asio::io_context& io_;
  Port settings_;
  LineSettings line_;
  Duration reply_;
  std::shared_ptr<OpenPort> port_;
  std::optional<PtyMark> opened_pty_, dead_pty_;  // of a pty: what was opened, what has hung up
  asio::steady_timer pause_;
  bool suspect_ = true;
  bool odd_ = false;
  bool cut_off_ = false;  // part of a message may be on its way without its end; outlives the port
  SteadyTime last_reply_{};

  // What was received and not yet used: [begin_, end_) of buffer_; [begin_, scanned_) holds no terminator.
  std::vector<char> buffer_;
  std::size_t begin_ = 0, scanned_ = 0, end_ = 0;
};

}  // namespace nightwell::instrument
