#include "scpi_source.hpp"

#include "scpi_common.hpp"

namespace nightwell::drivers {

using namespace instrument;

namespace {

struct Encoder {
  Result<Message> operator()(const AskIdentity&) const { return scpi_question("*IDN?"); }
  Result<Message> operator()(const AskError&) const { return scpi_question("SYSTem:ERRor?"); }
  Result<Message> operator()(const ClearErrors&) const { return scpi_setting("*CLS"); }
  Result<Message> operator()(const SetTarget& command) const {
    const Result<std::string> number = format_scpi_temperature(command.t_c);
    if (!number) return number.error();
    return scpi_setting("SOURce:TEMPerature:SPOint " + *number);
  }
  Result<Message> operator()(const AskTarget&) const { return scpi_question("SOURce:TEMPerature:SPOint?"); }
  Result<Message> operator()(const AskTemperature&) const { return scpi_question("MEASure:TEMPerature?"); }
  Result<Message> operator()(const SetOutput& command) const {
    return scpi_setting(command.on ? "OUTPut:STATe ON" : "OUTPut:STATe OFF");
  }
  Result<Message> operator()(const AskOutput&) const { return scpi_question("OUTPut:STATe?"); }
  Result<Message> operator()(const RunStep&) const { return no_such_step(); }
  Result<Message> operator()(const CheckStep&) const { return no_such_step(); }
};

struct Decoder {
  std::string_view reply;
  Result<Answer> operator()(const AskIdentity&) const { return scpi_identity_answer(reply); }
  Result<Answer> operator()(const AskError&) const { return scpi_error_answer(reply); }
  Result<Answer> operator()(const ClearErrors&) const { return no_answer_expected(); }
  Result<Answer> operator()(const SetTarget&) const { return no_answer_expected(); }
  Result<Answer> operator()(const AskTarget&) const { return scpi_temperature_answer(reply); }
  Result<Answer> operator()(const AskTemperature&) const { return scpi_temperature_answer(reply); }
  Result<Answer> operator()(const SetOutput&) const { return no_answer_expected(); }
  Result<Answer> operator()(const AskOutput&) const { return scpi_boolean_answer(reply); }
  Result<Answer> operator()(const RunStep&) const { return no_answer_expected(); }
  Result<Answer> operator()(const CheckStep&) const { return no_answer_expected(); }
};

}  // namespace

LineSettings ScpiSource::line() const {
  return LineSettings();
}

Result<Message> ScpiSource::encode(const HeatSourceCommand& command) const {
  return std::visit(Encoder(), command);
}

Result<Answer> ScpiSource::decode(std::string_view reply, const HeatSourceCommand& command) const {
  return std::visit(Decoder{reply}, command);
}

}  // namespace nightwell::drivers
