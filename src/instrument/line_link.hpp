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
// Lines that the line's settings set aside are nobody's reply and leave no trace.
//
// Errors: those of OpenPort, and garbled. Deadlines are the wire's time (real time). Lifetime: outlives its calls;
// one call at a time.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "instrument/wire.hpp"
#include "nightwell/instrument/codec.hpp"

namespace nightwell::instrument {

class LineLink {
 public:
  // `reply`: whole reply, from the last byte sent.
  LineLink(asio::io_context& io, Port port, LineSettings line, Duration reply);
  // The same on a wire of the caller's; `where` names it in errors.
  LineLink(std::unique_ptr<Wire> wire, std::string where, LineSettings line, Duration reply);

  // Opens the port and drains it, so that a start-up banner or somebody else's replies are not ours. port_gone too
  // where a pty hung up and nothing new has come in its place.
  asio::awaitable<Result<void>> open();
  void close();

  // Looks, without waiting, at what arrived since the last reply and drops it. Terminators, NULs and lines set
  // aside are nothing; anything else makes the link suspect. True: open, in step, and the question may be sent now.
  bool ready();
  // Waits until the gap to the next command is over.
  asio::awaitable<void> rest();
  [[nodiscard]] bool is_open() const { return port_ && port_->is_open(); }
  [[nodiscard]] bool is_suspect() const { return suspect_; }
  void mark_suspect() { suspect_ = true; }

  // Whether something follows this message on the line: a reply, an echo, a prompt.
  [[nodiscard]] bool is_exchange(const Message& message) const {
    return message.answered || line_.echoes || !line_.prompt.empty();
  }
  // Sends a message and gives the one reply, without terminators, echo and prompt; empty where it has none. The view
  // holds until the next call. `message` must live until then. no_answer, garbled: the link is suspect.
  asio::awaitable<Result<std::string_view>> query(const Message& message);
  // Sends what has no reply.
  asio::awaitable<Result<void>> send(std::string_view bytes);
  // Sends at once, whatever state the link is in, what must not wait for it; where both sides take turns and a reply is
  // awaited, right behind that reply or its deadline.
  void send_regardless(std::string_view bytes);

  // Back in step, or an error and still suspect: no_answer, garbled (something else answers, or the line is
  // never quiet), port_gone. `known`: the marker's reply as query() gave it. Takes at most about
  // rounds x (2 x reply + 2 x quiet).
  asio::awaitable<Result<void>> resynchronise(const Message& marker, std::string_view known);
  // Reads until the line has been quiet. garbled: it never is.
  asio::awaitable<Result<void>> drain();
  asio::awaitable<void> pause(Duration length);
  [[nodiscard]] SteadyTime now() const { return wire_->now(); }

  // Whether the newest reply had more than one terminator before or behind it.
  [[nodiscard]] bool was_odd() const { return odd_; }

 private:
  asio::awaitable<Result<void>> receive_more(SteadyTime deadline);
  asio::awaitable<Result<std::string_view>> read_line(SteadyTime deadline);
  asio::awaitable<Result<std::string_view>> read_bytes(std::size_t count, SteadyTime deadline);
  asio::awaitable<Result<void>> read_frame(const Message& message, SteadyTime deadline);
  asio::awaitable<Result<void>> read_echo(std::string_view sent, SteadyTime deadline);
  asio::awaitable<Result<void>> read_reply(const Message& message, SteadyTime deadline);
  asio::awaitable<Result<void>> read_lines(const Message& message, SteadyTime deadline);
  asio::awaitable<Result<void>> read_prompt(SteadyTime deadline);
  asio::awaitable<Result<void>> keep_gap();
  asio::awaitable<Result<void>> exchange_marker(const Message& marker, std::string_view known, bool skip_late);
  asio::awaitable<Result<void>> find_lines(const Message& marker, std::string_view known, bool skip_late,
                                           SteadyTime deadline);
  asio::awaitable<Result<void>> find_bytes(const Message& marker, std::string_view known, bool skip_late,
                                           SteadyTime deadline);
  bool take_line(std::string_view& line);
  bool nothing_left();
  void skip_reply_ends();
  void make_room();
  [[nodiscard]] std::string_view received() const { return std::string_view(buffer_.data() + begin_, end_ - begin_); }
  [[nodiscard]] bool ends_reply(char byte) const { return line_.reply_ends.find(byte) != std::string::npos; }
  [[nodiscard]] bool is_set_aside(std::string_view line) const { return line_.set_aside && line_.set_aside(line); }
  [[nodiscard]] bool means_nothing(std::string_view bytes) const;
  [[nodiscard]] std::string_view without_prompts(std::string_view line) const;
  [[nodiscard]] bool is_rested() const {
    return line_.gap == Duration::zero() || wire_->now() - last_talk_ >= line_.gap;
  }
  [[nodiscard]] Duration time_for(const Message& message) const {
    return message.within > Duration::zero() ? message.within : reply_;
  }
  // While this lives a reply is awaited; what was not to be sent meanwhile goes out when it ends.
  class Awaiting {
   public:
    explicit Awaiting(LineLink& link) : link_(link) { link_.awaiting_ = true; }
    Awaiting(const Awaiting&) = delete;
    Awaiting& operator=(const Awaiting&) = delete;
    ~Awaiting();

   private:
    LineLink& link_;
  };
  Error fault(Errc code, std::string detail);
  Error lost(Error error);
  void forget_received() { begin_ = scanned_ = end_ = 0; }

  std::unique_ptr<Wire> wire_;
  std::string where_;
  LineSettings line_;
  Duration reply_;
  std::shared_ptr<BytePort> port_;
  std::optional<PtyMark> opened_pty_, dead_pty_;  // of a pty: what was opened, what has hung up
  bool suspect_ = true;
  bool odd_ = false;
  bool cut_off_ = false;  // part of a message may be on its way without its end; outlives the port
  bool awaiting_ = false;
  std::string deferred_;    // what could not wait, and had to, because both sides take turns
  SteadyTime last_talk_{};  // the end of the last reply, or of the last message without one
  std::string reply_text_;

  // What was received and not yet used: [begin_, end_) of buffer_; [begin_, scanned_) holds no terminator.
  std::vector<char> buffer_;
  std::size_t begin_ = 0, scanned_ = 0, end_ = 0;
};

}  // namespace nightwell::instrument
