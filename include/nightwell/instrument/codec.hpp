// What a driver for a line instrument is: a pure translation between commands and bytes, plus declared facts
// about the line. A codec sees no sockets, threads or time, so it is tested with text alone; the line engine
// (src/instrument) owns deadlines, late answers, repeats and reconnection, once for all drivers.
//
// Shape: encode() gives the whole message including its terminator; decode() gets one reply without
// terminators (the lines of a longer one are joined by single LFs), 1 to LineSettings::longest_reply bytes,
// untrusted, possibly with control bytes in it. Units: temperatures in °C (t90 as the instrument knows it),
// volt, ohm, ampere. Errors: encode: bad_input (a number that the message cannot carry). decode: garbled (not
// a reply to this command: the engine will take the line for out of step), refused (the instrument's own "no",
// where it answers so), overload, open_sensor (the instrument's own words for "no number"; the line is fine),
// out_of_range (a number that the quantity cannot have), mismatch (CheckStep only). Lifetime: codecs are
// immutable; one object serves one instrument.
#pragma once

#include <cstddef>
#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/instrument/reading.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::instrument {

struct LineSettings {
  std::string reply_ends = "\r\n";   // any of these bytes ends a line; further ones are no empty lines. Empty: no
                                     // line ever ends, every reply is told by its length
  std::string spoil = "*\n";         // sent behind a message that was cut off half-way: it must make the instrument
                                     // refuse the whole ("… 12" of 120.5 must not be obeyed) and have no reply
  bool echoes = false;               // the line repeats our bytes before the reply; consumed if exactly equal
  std::string prompt;                // follows every exchange, with or without a reply; no reply_ends in it
  bool error_queue = true;           // AskError is understood; where it is not, a refusal shows in the reply or nowhere
  Duration reply{2'000'000};         // whole reply, from the last byte sent; where the bench states none
  Duration gap{0};                   // least time between a reply, or a command without one, and the next command
  Duration quiet{200'000};           // nothing heard for this long: the line is drained
  std::size_t longest_reply = 4096;  // bytes without terminators; anything longer is thrown away
  int queue_limit = 64;              // error-queue entries read before we stop believing in its end
  // Two wires that both sides share: what is sent while a reply is awaited collides with it. Then even "output off" waits
  // for the end of that reply, or for its deadline.
  bool takes_turns = false;
  // Lines that the instrument says unasked and that mean nothing to us. Empty: there are none, and every unasked
  // line makes the link suspect.
  std::function<bool(std::string_view)> set_aside{};
};

// ---- commands: small values with nothing to own --------------------------------------------------

struct AskIdentity {};
struct AskError {};     // the oldest entry of the error queue
struct ClearErrors {};  // a queue that never empties
struct ConfigureChannel {
  ChannelSetup channel;
};
struct ReadChannel {
  ChannelSetup channel;
};
// Where an instrument reads the channel that was chosen before, or measures when it is told to: see Codec::before().
struct ChooseChannel {
  ChannelSetup channel;
};
struct BeginReading {
  ChannelSetup channel;
};
// Whether what was begun is ready: see Codec::wait().
struct AskReady {
  ChannelSetup channel;
};
struct SetTarget {
  double t_c = 0;
};
struct AskTarget {};
struct AskTemperature {};
struct SetOutput {
  bool on = false;
};
struct AskOutput {};

// What an instrument needs besides: settings right after its identity has answered (remote control, say), and for a
// heat source what follows "output off". A step may have a question that proves it.
enum class Steps { start_up, park };
struct RunStep {
  Steps steps = Steps::start_up;
  std::size_t index = 0;
};
struct CheckStep {
  Steps steps = Steps::start_up;
  std::size_t index = 0;
};

using ScannerCommand = std::variant<AskIdentity, AskError, ClearErrors, ConfigureChannel, ReadChannel, RunStep,
                                    CheckStep, ChooseChannel, BeginReading, AskReady>;
using HeatSourceCommand = std::variant<AskIdentity, AskError, ClearErrors, SetTarget, AskTarget, AskTemperature,
                                       SetOutput, AskOutput, RunStep, CheckStep>;

// ---- what passes ---------------------------------------------------------------------------------

// Where a reply ends. The default is one line.
struct ReplyShape {
  enum class Ends { after_lines, at_line, after_bytes, by_header };
  Ends ends = Ends::after_lines;
  std::size_t count = 1;  // lines or bytes
  std::string last_line;  // at_line: the line that ends the reply and is no part of it
  // by_header: the length of the reply that begins with these bytes. 0: more of it is needed to tell; beyond
  // LineSettings::longest_reply: no reply begins so.
  std::size_t (*length)(std::string_view received) = nullptr;
};

struct Message {
  std::string bytes;        // terminator included; empty: this command needs nothing on the line
  bool answered = false;    // a reply follows; after a setting it is an acknowledgement, which decode() judges
  bool repeatable = false;  // asking twice changes nothing: it may be repeated after a fault of the line
  ReplyShape reply{};
  Duration within{0};  // deadline of its reply where it is another than the line's; zero: the line's
};

struct QueueEntry {
  int number = 0;  // 0: the queue is empty
  std::string text;
};

struct Acknowledged {};

using Answer = std::variant<double, bool, Identity, QueueEntry, Acknowledged>;

// What a setting is proved by: a question, and the answer that proves it (numbers within `tolerance`).
template <class CommandType>
struct Proof {
  CommandType question;
  Answer expected;
  double tolerance = 0;
};

// Another question, asked again and again until its answer is true.
template <class CommandType>
struct Wait {
  CommandType question;
  Duration every{0};   // between an answer and the next time it is asked
  Duration within{0};  // it is asked a last time when this is over, counted from the last setting of before()
};

template <class CommandType>
class Codec {
 public:
  using Command = CommandType;
  virtual ~Codec() = default;
  [[nodiscard]] virtual LineSettings line() const = 0;
  [[nodiscard]] virtual Result<Message> encode(const Command& command) const = 0;
  // The alternative of Answer that belongs to the command: Identity, QueueEntry, double (a value or a
  // temperature), bool (an output, readiness) or Acknowledged (a setting that has a reply).
  [[nodiscard]] virtual Result<Answer> decode(std::string_view reply, const Command& command) const = 0;
  // How many steps there are, and what proves a setting beyond the instrument's own word; none where the caller's
  // read-back is enough.
  [[nodiscard]] virtual std::size_t steps(Steps) const { return 0; }
  [[nodiscard]] virtual std::optional<Proof<Command>> proof(const Command&) const { return std::nullopt; }
  // What a question needs right before it, in this order, each time it is asked: settings that change nothing but what the
  // question is about. The question is not asked where one of them failed, nor where anything came in between.
  [[nodiscard]] virtual std::vector<Command> before(const Command&) const { return {}; }
  // What has to be true between those settings and the question. In a driver program `within` must leave room in what its
  // host waits for (docs/driver-programs.md).
  [[nodiscard]] virtual std::optional<Wait<Command>> wait(const Command&) const { return std::nullopt; }
};

using ScannerCodec = Codec<ScannerCommand>;
using HeatSourceCodec = Codec<HeatSourceCommand>;

}  // namespace nightwell::instrument
