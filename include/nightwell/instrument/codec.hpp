// What a driver for a line instrument is: a pure translation between commands and bytes, plus declared facts
// about the line. A codec sees no sockets, threads or time, so it is tested with text alone; the line engine
// (src/instrument) owns deadlines, late answers, repeats and reconnection, once for all drivers.
//
// Shape: encode() gives the whole message including its terminator; decode() gets one reply without
// terminators, 1 to LineSettings::longest_reply bytes, untrusted, possibly with control bytes in it. Units:
// temperatures in °C (t90 as the instrument knows it), volt, ohm, ampere. Errors: encode: bad_input (a number
// that the message cannot carry). decode: garbled (not a reply to this command: the engine will take the line
// for out of step), overload, open_sensor (the instrument's own words for "no number"; the line is fine),
// out_of_range (a number that the quantity cannot have). Lifetime: codecs are immutable; one object serves
// one instrument.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <variant>

#include "nightwell/instrument/reading.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::instrument {

struct LineSettings {
  std::string reply_ends = "\r\n";   // any of these bytes ends a reply; further ones are no empty replies
  std::string spoil = "*\n";         // sent behind a message that was cut off half-way: it must make the instrument
                                     // refuse the whole ("… 12" of 120.5 must not be obeyed) and have no reply
  bool echoes = false;               // the line repeats our bytes before the reply; consumed if exactly equal
  Duration reply{2'000'000};         // whole reply, from the last byte sent; where the bench states none
  Duration gap{0};                   // least time between a reply and the next command
  Duration quiet{200'000};           // nothing heard for this long: the line is drained
  std::size_t longest_reply = 4096;  // bytes without terminators; anything longer is thrown away
  int queue_limit = 64;              // error-queue entries read before we stop believing in its end
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
struct SetTarget {
  double t_c = 0;
};
struct AskTarget {};
struct AskTemperature {};
struct SetOutput {
  bool on = false;
};
struct AskOutput {};

using ScannerCommand = std::variant<AskIdentity, AskError, ClearErrors, ConfigureChannel, ReadChannel>;
using HeatSourceCommand =
    std::variant<AskIdentity, AskError, ClearErrors, SetTarget, AskTarget, AskTemperature, SetOutput, AskOutput>;

// ---- what passes ---------------------------------------------------------------------------------

struct Message {
  std::string bytes;        // terminator included; empty: this command needs nothing on the line
  bool answered = false;    // a reply follows
  bool repeatable = false;  // asking twice changes nothing: it may be repeated after a fault of the line
};

struct QueueEntry {
  int number = 0;  // 0: the queue is empty
  std::string text;
};

using Answer = std::variant<double, bool, Identity, QueueEntry>;

template <class CommandType>
class Codec {
 public:
  using Command = CommandType;
  virtual ~Codec() = default;
  [[nodiscard]] virtual LineSettings line() const = 0;
  [[nodiscard]] virtual Result<Message> encode(const Command& command) const = 0;
  // The alternative of Answer that belongs to the command: Identity, QueueEntry, double (a value or a
  // temperature) or bool (an output).
  [[nodiscard]] virtual Result<Answer> decode(std::string_view reply, const Command& command) const = 0;
};

using ScannerCodec = Codec<ScannerCommand>;
using HeatSourceCodec = Codec<HeatSourceCommand>;

}  // namespace nightwell::instrument
