#include "scpi_common.hpp"

#include <utility>

namespace nightwell::drivers {

using instrument::Answer;
using instrument::Message;

namespace {

constexpr double absolute_zero_c = -273.15;

template <class T>
Result<Answer> as_answer(Result<T> parsed) {
  if (!parsed) return parsed.error();
  return Answer(std::move(parsed).value());
}

}  // namespace

Message scpi_question(std::string text) {
  Message message;
  message.bytes = std::move(text) + "\n";
  message.answered = true;
  message.repeatable = true;
  return message;
}

Message scpi_setting(std::string text) {
  Message message;
  message.bytes = std::move(text) + "\n";
  return message;
}

Result<Answer> scpi_number_answer(std::string_view reply) {
  return as_answer(instrument::parse_scpi_number(reply));
}

Result<Answer> scpi_temperature_answer(std::string_view reply) {
  Result<double> t_c = instrument::parse_scpi_number(reply);
  if (!t_c || *t_c >= absolute_zero_c) return as_answer(std::move(t_c));
  Error error;
  error.code = Errc::out_of_range;
  error.detail = "\"" + instrument::printable(reply) + "\" °C is below absolute zero";
  return error;
}

Result<Answer> scpi_boolean_answer(std::string_view reply) {
  return as_answer(instrument::parse_scpi_boolean(reply));
}

Result<Answer> scpi_identity_answer(std::string_view reply) {
  return as_answer(instrument::parse_scpi_identity(reply));
}

Result<Answer> scpi_error_answer(std::string_view reply) {
  return as_answer(instrument::parse_scpi_error(reply));
}

Result<Answer> no_answer_expected() {
  Error error;
  error.code = Errc::unexpected;
  error.detail = "this command has no answer";
  return error;
}

Result<Message> no_such_step() {
  Error error;
  error.code = Errc::unexpected;
  error.detail = "this instrument has no steps";
  return error;
}

}  // namespace nightwell::drivers
