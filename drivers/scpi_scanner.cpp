#include "scpi_scanner.hpp"

#include "scpi_common.hpp"

namespace nightwell::drivers {

using namespace instrument;

namespace {

std::string_view measure_query(Quantity quantity) {
  switch (quantity) {
    case Quantity::voltage: return "MEASure:VOLTage:DC? (@";
    case Quantity::resistance: return "MEASure:FRESistance? (@";
    case Quantity::current: return "MEASure:CURRent:DC? (@";
    case Quantity::temperature: return "MEASure:TEMPerature? (@";
  }
  return "";
}

Result<Message> measure(const ChannelSetup& channel) {
  if (channel.address < 1 || channel.address > 9999) {
    Error error;
    error.code = Errc::bad_input;
    error.detail = "channel address " + std::to_string(channel.address) + " is outside 1..9999";
    return error;
  }
  std::string text(measure_query(channel.measures));
  text += std::to_string(channel.address);
  text += ')';
  return scpi_question(std::move(text));
}

struct Encoder {
  Result<Message> operator()(const AskIdentity&) const { return scpi_question("*IDN?"); }
  Result<Message> operator()(const AskError&) const { return scpi_question("SYSTem:ERRor?"); }
  Result<Message> operator()(const ClearErrors&) const { return scpi_setting("*CLS"); }
  // MEASure configures with every reading: nothing to send beforehand, but what cannot be asked is said now.
  Result<Message> operator()(const ConfigureChannel& command) const {
    const Result<Message> possible = measure(command.channel);
    if (!possible) return possible.error();
    return Message();
  }
  Result<Message> operator()(const ReadChannel& command) const { return measure(command.channel); }
  Result<Message> operator()(const ChooseChannel&) const { return no_such_step(); }
  Result<Message> operator()(const BeginReading&) const { return no_such_step(); }
  Result<Message> operator()(const AskReady&) const { return no_such_step(); }
  Result<Message> operator()(const RunStep&) const { return no_such_step(); }
  Result<Message> operator()(const CheckStep&) const { return no_such_step(); }
};

struct Decoder {
  std::string_view reply;
  Result<Answer> operator()(const AskIdentity&) const { return scpi_identity_answer(reply); }
  Result<Answer> operator()(const AskError&) const { return scpi_error_answer(reply); }
  Result<Answer> operator()(const ClearErrors&) const { return no_answer_expected(); }
  Result<Answer> operator()(const ConfigureChannel&) const { return no_answer_expected(); }
  Result<Answer> operator()(const ChooseChannel&) const { return no_answer_expected(); }
  Result<Answer> operator()(const BeginReading&) const { return no_answer_expected(); }
  Result<Answer> operator()(const AskReady&) const { return no_answer_expected(); }
  Result<Answer> operator()(const ReadChannel& command) const {
    if (command.channel.measures == Quantity::temperature) return scpi_temperature_answer(reply);
    return scpi_number_answer(reply);
  }
  Result<Answer> operator()(const RunStep&) const { return no_answer_expected(); }
  Result<Answer> operator()(const CheckStep&) const { return no_answer_expected(); }
};

}  // namespace

LineSettings ScpiScanner::line() const {
  return LineSettings();
}

Result<Message> ScpiScanner::encode(const ScannerCommand& command) const {
  return std::visit(Encoder(), command);
}

Result<Answer> ScpiScanner::decode(std::string_view reply, const ScannerCommand& command) const {
  return std::visit(Decoder{reply}, command);
}

}  // namespace nightwell::drivers
