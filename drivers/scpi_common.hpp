// What the SCPI drivers share: the common commands and the check that no temperature is colder than cold.
#pragma once

#include "nightwell/instrument/codec.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::drivers {

[[nodiscard]] instrument::Message scpi_question(std::string text);
[[nodiscard]] instrument::Message scpi_setting(std::string text);

[[nodiscard]] Result<instrument::Answer> scpi_number_answer(std::string_view reply);
// out_of_range below -273.15 °C.
[[nodiscard]] Result<instrument::Answer> scpi_temperature_answer(std::string_view reply);
[[nodiscard]] Result<instrument::Answer> scpi_boolean_answer(std::string_view reply);
[[nodiscard]] Result<instrument::Answer> scpi_identity_answer(std::string_view reply);
[[nodiscard]] Result<instrument::Answer> scpi_error_answer(std::string_view reply);
// The answer to a command that has none.
[[nodiscard]] Result<instrument::Answer> no_answer_expected();
// These drivers have no steps of their own.
[[nodiscard]] Result<instrument::Message> no_such_step();

}  // namespace nightwell::drivers
