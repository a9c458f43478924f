// A driver program for a scanner that speaks SCPI and whose relays bounce: each reading is the middle one of three. A dialect cannot
// do that: it gives what stands in a reply, and reckons nothing.
//
// A reply may as well be a block of bytes (ReplyShape), and a channel may be chosen before it is read (before()): codec.hpp has both.
// What has to be asked after until it is ready fits no codec: nightwell drivers new scanner-program.
//
// To make a driver of your own out of it, change what is marked CHANGE. The codec only says what is written on the line and what
// a reply means; late and garbled replies, deadlines, reconnection and the conversation with Nightwell are the library's.
#include <algorithm>
#include <array>
#include <nightwell/driver/main.hpp>
#include <nightwell/instrument/codec.hpp>
#include <nightwell/instrument/scpi.hpp>
#include <string>

using namespace nightwell;
using namespace nightwell::instrument;

namespace {

Error wrong(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

// A question changes nothing: it may be asked again where its reply was lost.
Message question(std::string text) {
  Message message;
  message.bytes = std::move(text) + "\n";  // CHANGE: how a command ends
  message.answered = true;
  message.repeatable = true;
  return message;
}

class MedianScanner final : public ScannerCodec {
 public:
  // CHANGE: the facts of the line: how replies end, echo, prompt, gaps, an error queue or none (LineSettings in codec.hpp).
  LineSettings line() const override {
    LineSettings line;
    line.reply_ends = "\r\n";
    line.error_queue = true;
    return line;
  }

  // What is written for each command. No bytes: nothing has to be.
  Result<Message> encode(const ScannerCommand& command) const override {
    // CHANGE: the question whose answer is always the same text and can be no value: it proves a line in step.
    if (std::holds_alternative<AskIdentity>(command)) return question("*IDN?");
    // CHANGE: the oldest entry of the error queue; not asked where line() says that there is none.
    if (std::holds_alternative<AskError>(command)) return question("SYSTem:ERRor?");
    if (std::holds_alternative<ClearErrors>(command)) {
      Message clear;
      clear.bytes = "*CLS\n";
      return clear;
    }
    if (std::holds_alternative<ConfigureChannel>(command)) return Message();
    if (const auto* read = std::get_if<ReadChannel>(&command)) return encode_reading(read->channel);
    return wrong(Errc::bad_input, "this driver has no such step");
  }

  // What a reply says. garbled: it is no reply to this; refused: the instrument will not.
  Result<Answer> decode(std::string_view reply, const ScannerCommand& command) const override {
    if (std::holds_alternative<AskIdentity>(command)) return answer(parse_scpi_identity(reply));
    if (std::holds_alternative<AskError>(command)) return answer(parse_scpi_error(reply));
    if (std::holds_alternative<ReadChannel>(command)) return middle_of_three(reply);
    return wrong(Errc::garbled, "nothing was asked");
  }

 private:
  // CHANGE: how a channel is read.
  static Result<Message> encode_reading(const ChannelSetup& channel) {
    const char* measure = channel.measures == Quantity::resistance ? "MEASure:FRESistance?"
                          : channel.measures == Quantity::voltage  ? "MEASure:VOLTage:DC?"
                                                                   : nullptr;
    if (measure == nullptr) return wrong(Errc::bad_input, "this driver measures resistance and voltage");
    // CHANGE: which channels there are. What cannot be is refused here, before a byte is sent.
    if (channel.address < 1 || channel.address > 9999) return wrong(Errc::bad_input, "it has channels 1 to 9999");
    const std::string address = std::to_string(channel.address);
    return question(std::string(measure) + " (@" + address + "," + address + "," + address + ")");
  }

  // CHANGE: the value in the reply, in volt, ohm, ampere or °C. A word for "no sensor" is open_sensor, one for "too much" overload;
  // a number is taken only where the whole text is one.
  static Result<Answer> middle_of_three(std::string_view reply) {
    std::array<double, 3> values{};
    for (std::size_t i = 0; i < values.size(); ++i) {
      const auto end = i + 1 < values.size() ? reply.find(',') : reply.size();
      if (end == std::string_view::npos) return wrong(Errc::garbled, "fewer than three readings");
      const Result<double> value = parse_scpi_number(reply.substr(0, end));
      if (!value) return value.error();
      values[i] = *value;
      reply.remove_prefix(std::min(reply.size(), end + 1));
    }
    std::sort(values.begin(), values.end());
    return Answer(values[1]);
  }

  template <class T>
  static Result<Answer> answer(Result<T> parsed) {
    if (!parsed) return parsed.error();
    return Answer(std::move(*parsed));
  }
};

}  // namespace

int main() {
  // CHANGE: its name, and a revision that you raise with every change. For a heat source: HeatSourceCodec and run_heat_source.
  return driver::run_scanner<MedianScanner>({"median-scanner", "1"});
}
