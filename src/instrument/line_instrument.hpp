// One instrument on one line: a codec and a link, plus what every instrument needs whatever it measures:
// identity, error queue, repeats, reconnection. LineScanner and LineHeatSource are thin faces on this.
//
// Policy
//   a question    After no answer or a garbled one: back in step, read the error queue, ask again, at most
//                 twice more. An entry that says "I understood and will not" (not -1xx, which is a command
//                 damaged on its way) ends it as refused.
//                 Where the codec names settings before it, they go out right before it, each time; a question whose
//                 setting failed is not asked. Where the codec names what it waits for, that is asked between the two until
//                 it is true. Anything odd on the way begins all of it anew; an instrument that is not ready by the last
//                 time it is asked, on a line in step, is no_answer at once: it was given its time.
//   an identity   Asked until two answers running agree, three times at most; then the error queue is read to its end, again
//                 behind a lost or garbled answer, twice more at most.
//   a setting     Sent once, in step only. Its acknowledgement, where it has one, must be as the codec says; then
//                 the error queue, where there is one, is read to its end: any entry is refused, no answer there
//                 is no_answer. Where the codec names a proof it is asked for (`mismatch`). The caller reads back
//                 in any case.
//   on            Sent only on a line that nothing odd has happened to since the caller's last answer. Where the port came back, or
//                 the line had to be put in step, the instrument may have been off and on and have its old setpoint again:
//                 no_answer, nothing is sent, and the caller looks first.
//   start-up      The codec's steps follow every identity that was learned: after identify() and after reopening.
//                 Where a setting was refused, the instrument may have restarted and lost them: the next "off" is
//                 followed by them, so that a park does not fail for want of remote control.
//                 Where a step failed, or an identify() did, nothing that heats goes out (started()) until all of them
//                 have succeeded behind an identity. "Off" does: also on a port that is back and whose start-up fails.
//   heat off      Goes out at once even where the link is suspect, then once more in step. Where another call
//                 is going on it goes out all the same, and `unexpected` says: not proved, call again. Where both sides
//                 take turns on the wires (LineSettings::takes_turns) it goes out behind the reply that is awaited, at
//                 the latest behind that reply's deadline.
//   port gone     Reopened up to 3 times, half a second apart (never a pty that hung up); nothing is asked or
//                 set before the identity that was first learned has answered again.
//   an odd moment costs the error queue a look; a plain reading never does.
//
// Every call is bounded. With a reply time r and a quiet time q: an instrument that has gone silent costs
// 2 r + q, and r + q on every later call; a port that is gone, about 1 s (TCP: up to 3 r + 1 s); a port that
// is back with nobody answering, 4 r + 4 q. Garbage without end costs most: 3 x (r + 3 x (2 r + 17 q)). A question that waits
// costs its wait (Wait::within) and one r besides, at most three times; close() ends a wait at once.
//
// Errors: as Scanner. One call at a time; a second one gets `unexpected` and disturbs nothing.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "instrument/line_link.hpp"
#include "instrument/scanner.hpp"
#include "nightwell/instrument/codec.hpp"

namespace nightwell::instrument {

template <class CodecType>
class LineInstrument {
 public:
  using Command = typename CodecType::Command;

  LineInstrument(asio::io_context& io, ConnectionSettings settings, std::unique_ptr<CodecType> codec);
  LineInstrument(std::unique_ptr<Wire> wire, ConnectionSettings settings, std::unique_ptr<CodecType> codec);

  asio::awaitable<Result<Identity>> identify();
  // A question. `doing` must be a literal: "reading a channel".
  asio::awaitable<Result<Answer>> ask(Command command, std::string_view doing);
  // A setting. at_once: heat off; as_last_seen: heat on.
  enum class When { in_turn, at_once, as_last_seen };
  asio::awaitable<Result<void>> tell(Command command, std::string_view doing, When when = When::in_turn);
  // Whether the codec needs no bytes for this command; bad_input where it cannot be expressed. Sends nothing.
  [[nodiscard]] Result<bool> needs_nothing(const Command& command) const;
  [[nodiscard]] std::size_t steps(Steps which) const { return codec_->steps(which); }
  // refused: a step of the start-up failed when they were last due, or the newest identify() failed. No error while the port
  // is closed: tell() says so.
  [[nodiscard]] Result<void> started(std::string_view doing) const;
  void close();

  [[nodiscard]] const std::string& last_text() const { return last_text_; }  // of the newest reply
  [[nodiscard]] bool last_was_odd() const { return last_was_odd_; }
  [[nodiscard]] std::uint64_t asked_again() const { return asked_again_; }  // questions, since it was made

 private:
  using Entries = std::vector<QueueEntry>;

  asio::awaitable<Result<Answer>> ask_in_turn(Command command);
  asio::awaitable<Result<void>> tell_in_turn(Command command, When when);
  asio::awaitable<Result<void>> carry_out(const Message& message, Command command);
  asio::awaitable<Result<void>> prepare(Command question);
  asio::awaitable<Result<void>> wait_for(Wait<Command> wait);
  [[nodiscard]] Result<void> undisturbed();
  asio::awaitable<Result<void>> prove(Command command);
  asio::awaitable<Result<void>> start_up();
  asio::awaitable<Result<Identity>> identify_in_turn();
  // In step, identity proved, error queue read where that was due; gives what stood in it.
  asio::awaitable<Result<Entries>> make_ready(bool for_off);
  asio::awaitable<Result<void>> reopen(bool for_off);
  asio::awaitable<Result<Identity>> learn_identity();
  asio::awaitable<Result<Identity>> ask_identity();
  asio::awaitable<Result<Entries>> read_queue();
  asio::awaitable<Result<Entries>> read_old_errors();
  [[nodiscard]] Error wrong_identity(const std::string& got) const;
  [[nodiscard]] Error named(Error error, std::string_view doing) const;
  [[nodiscard]] Error closed() const;

  ConnectionSettings settings_;
  std::unique_ptr<CodecType> codec_;
  LineSettings line_;
  LineLink link_;
  Message marker_;        // asks for the identity
  std::string identity_;  // as first learned; empty: not yet
  std::string known_;     // the marker's reply that said so, as the link gives it
  std::string last_text_;
  bool last_was_odd_ = false;
  std::uint64_t asked_again_ = 0;
  bool queue_unread_ = false;  // something odd happened: the instrument may have said why
  bool start_up_due_ = false;  // a setting was refused: what the start-up set may be gone
  bool started_ = false;       // an identity was learned, and each step of the start-up behind it succeeded
  bool talking_ = false;
  std::uint64_t found_again_ = 0;  // how often the line was put in step or the port opened again
  bool open_wanted_ = false;       // identify() was called and close() was not
};

extern template class LineInstrument<ScannerCodec>;
extern template class LineInstrument<HeatSourceCodec>;

}  // namespace nightwell::instrument
