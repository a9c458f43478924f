// A driver program for a bath with a thermometer at its top and one at its bottom: its temperature is the higher of both. A dialect
// cannot do that: it gives what stands in a reply, and compares nothing.
//
// The bath speaks like this, CR behind every line (docs/dialects.md has one that is nearly the same):
//   VER      BATH 4, rev. 2.1         who it is
//   PV       PV 20.53 20.55 C         its temperatures
//   SP       SP 25.0 C                its setpoint; SP=25.0 sets it
//   HEAT     HEAT ON or HEAT OFF      HEAT=1 and HEAT=0 set it
// What sets something is answered OK, or ERR and a number.
//
// To make a driver of your own out of it, change what is marked CHANGE. The codec only says what is written on the line and what
// a reply means; late and garbled replies, deadlines, reconnection, "off" at the end and the conversation with Nightwell are the
// library's.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <nightwell/driver/main.hpp>
#include <nightwell/instrument/codec.hpp>
#include <nightwell/instrument/scpi.hpp>
#include <string>
#include <string_view>

using namespace nightwell;
using namespace nightwell::instrument;

namespace {

Error wrong(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

Message message(std::string text) {
  Message out;
  out.bytes = std::move(text) + "\r";  // CHANGE: how a command ends
  out.answered = true;                 // CHANGE: false in a setting that has no acknowledgement
  return out;
}

// A question changes nothing: it may be asked again where its reply was lost. A setting is sent once.
Message question(std::string text) {
  Message out = message(std::move(text));
  out.repeatable = true;
  return out;
}

class TwoThermometerBath final : public HeatSourceCodec {
 public:
  // CHANGE: the facts of the line: how replies end, echo, prompt, gaps, an error queue or none (LineSettings in codec.hpp).
  LineSettings line() const override {
    LineSettings line;
    line.reply_ends = "\r";
    line.spoil = "*\r";  // makes the bath refuse a command that was cut off half-way
    line.error_queue = false;
    line.gap = std::chrono::milliseconds(20);
    line.quiet = std::chrono::milliseconds(100);  // nothing heard for so long: nothing more comes
    return line;
  }

  // CHANGE: what is written for each command.
  Result<Message> encode(const HeatSourceCommand& command) const override {
    // The question whose answer is always the same text and can be no value: it proves a line in step.
    if (std::holds_alternative<AskIdentity>(command)) return question("VER");
    if (std::holds_alternative<AskTemperature>(command)) return question("PV");
    if (std::holds_alternative<AskTarget>(command)) return question("SP");
    if (std::holds_alternative<AskOutput>(command)) return question("HEAT");
    if (const auto* target = std::get_if<SetTarget>(&command)) return encode_target(target->t_c);
    if (const auto* output = std::get_if<SetOutput>(&command)) return message(output->on ? "HEAT=1" : "HEAT=0");
    return wrong(Errc::bad_input, "this driver has no such command");
  }

  // CHANGE: what a reply says. garbled: it is no reply to this; refused: the instrument will not.
  Result<Answer> decode(std::string_view reply, const HeatSourceCommand& command) const override {
    if (reply.starts_with("ERR ")) return wrong(Errc::refused, "it says " + printable(reply));
    if (std::holds_alternative<AskIdentity>(command) && reply.starts_with("BATH "))
      return Answer(Identity{std::string(reply), {}});
    if (std::holds_alternative<AskTemperature>(command)) return higher_of_two(reply);
    if (std::holds_alternative<AskTarget>(command)) return number(between(reply, "SP ", " C"));
    if (std::holds_alternative<AskOutput>(command) && (reply == "HEAT ON" || reply == "HEAT OFF"))
      return Answer(reply == "HEAT ON");
    const bool setting = std::holds_alternative<SetTarget>(command) || std::holds_alternative<SetOutput>(command);
    if (setting && reply == "OK") return Answer(Acknowledged{});
    return wrong(Errc::garbled, "it says " + printable(reply));
  }

 private:
  static Result<Message> encode_target(double t_c) {
    if (!(std::abs(t_c) < 1000)) return wrong(Errc::bad_input, "a target of this bath has three digits");
    char text[16];
    std::snprintf(text, sizeof text, "SP=%.1f", t_c);
    return message(text);
  }

  // What stands between two texts; nothing where the reply is not made so. Nothing is no number: garbled.
  static std::string_view between(std::string_view reply, std::string_view before, std::string_view behind) {
    const bool whole =
        reply.size() > before.size() + behind.size() && reply.starts_with(before) && reply.ends_with(behind);
    return whole ? reply.substr(before.size(), reply.size() - before.size() - behind.size()) : std::string_view();
  }

  // A number is taken only where the whole text is one.
  static Result<Answer> number(std::string_view text) {
    const Result<double> value = parse_scpi_number(text);
    if (!value) return value.error();
    return Answer(*value);
  }

  static Result<Answer> higher_of_two(std::string_view reply) {
    const std::string_view both = between(reply, "PV ", " C");
    const std::size_t blank = std::min(both.find(' '), both.size());
    const Result<double> top = parse_scpi_number(both.substr(0, blank));
    if (!top) return top.error();
    const Result<double> bottom = parse_scpi_number(both.substr(std::min(blank + 1, both.size())));
    if (!bottom) return bottom.error();
    return Answer(std::max(*top, *bottom));
  }
};

}  // namespace

int main() {
  // CHANGE: its name, and a revision that you raise with every change.
  return driver::run_heat_source<TwoThermometerBath>({"two-thermometer-bath", "1"});
}
