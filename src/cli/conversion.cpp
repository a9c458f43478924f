#include "cli/conversion.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

namespace nightwell::cli {
namespace {

// Enough for nanokelvins; what a double still carries beyond that is rounding.
constexpr int value_digits = 12;
constexpr int sensitivity_digits = 6;
constexpr double nothing_k = 1e-12;

std::string lower(std::string_view text) {
  std::string out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return out;
}

bool is_thermocouple(const Sensor& sensor) {
  return std::holds_alternative<thermometry::Thermocouple>(sensor.model);
}

Error sensor_error(const Sensor& sensor, const std::string& detail) {
  return {Errc::bad_input, "converting", sensor.name + " " + detail, ""};
}

Error not_given(const Sensor& sensor, const Unit& found) {
  const Quantity given = thermometry::quantity(sensor.model);
  if (given == Quantity::temperature)
    return sensor_error(sensor,
                        "gives a temperature, not " + std::string(found.name) + ": write it in " + unit_names(given));
  return sensor_error(sensor, "gives " + std::string(usual_unit(given).name) + ", not " + std::string(found.name) +
                                  ": write " + unit_names(given) + ", or a temperature in " +
                                  unit_names(Quantity::temperature));
}

Result<Unit> answer_unit(Quantity quantity, const std::optional<Unit>& to) {
  if (!to) return usual_unit(quantity);
  if (to->quantity == quantity) return *to;
  const std::string what = quantity == Quantity::temperature ? "temperature" : std::string(name(quantity));
  return Error{Errc::bad_input, "--to " + std::string(to->name),
               "the answer is a " + what + ", in " + unit_names(quantity), ""};
}

// The range in the message is of the emf that the sensor would have with its junction at the ice point.
Error with_junction(Error error, double junction_c) {
  if (error.code == Errc::out_of_range && junction_c != 0)
    error.detail += ", with the emf of its junction at " + significant(junction_c, value_digits) + " °C added";
  return error;
}

std::string value_text(double value, double nothing) {
  return std::abs(value) < nothing ? "0" : significant(value, value_digits);
}

std::string caution(const Sensor& sensor, double t_c) {
  if (!sensor.card || (t_c >= sensor.card->low_c && t_c <= sensor.card->high_c)) return "";
  const auto text = [](double limit_c) { return significant(limit_c, value_digits); };
  return text(t_c) + " °C is outside the limits of " + sensor.name + ", " + text(sensor.card->low_c) + " to " +
         text(sensor.card->high_c) + " °C";
}

double number_of(const std::string& text) {
  double value = 0;
  std::from_chars(text.data(), text.data() + text.size(), value);
  return value;
}

}  // namespace

std::optional<Sensor> sensor_named(std::string_view name) {
  if (const auto type = thermometry::thermocouple_type(name))
    return Sensor{thermometry::Thermocouple{*type, {}}, "a thermocouple of type " + std::string(name), {}};
  const std::string word = lower(name);
  if (word != "pt100" && word != "pt1000") return std::nullopt;
  thermometry::Platinum platinum;
  platinum.r0_ohm = word == "pt100" ? 100 : 1000;
  return Sensor{platinum, "a P" + word.substr(1), {}};
}

Result<void> check_asked(const Sensor& sensor, const Asked& asked) {
  if (asked.junction_c && !is_thermocouple(sensor))
    return sensor_error(sensor, "has no reference junction: no --junction");
  if (!asked.to || asked.to->quantity == Quantity::temperature) return {};
  const Quantity given = thermometry::quantity(sensor.model);
  if (asked.to->quantity == given) return {};
  if (given == Quantity::temperature) return answer_unit(given, asked.to).error();
  return Error{Errc::bad_input, "--to " + std::string(asked.to->name),
               "answers of " + sensor.name + " are in " + unit_names(given) + " or, for temperatures, in " +
                   unit_names(Quantity::temperature),
               ""};
}

Result<Converted> convert(const Sensor& sensor, const Amount& amount, const Asked& asked) {
  const Quantity given = thermometry::quantity(sensor.model);
  const bool to_raw = amount.unit.quantity == Quantity::temperature;
  if (!to_raw && amount.unit.quantity != given) return not_given(sensor, amount.unit);
  const auto unit = answer_unit(to_raw ? given : Quantity::temperature, asked.to);
  if (!unit) return unit.error();

  const double junction_c = asked.junction_c.value_or(0);
  const auto found = to_raw ? thermometry::raw_value(sensor.model, amount.base(), junction_c)
                            : thermometry::temperature_c(sensor.model, amount.base(), junction_c);
  if (!found) return to_raw || !is_thermocouple(sensor) ? found.error() : with_junction(found.error(), junction_c);
  const double t_c = to_raw ? amount.base() : *found;
  const auto slope = thermometry::sensitivity_per_k(sensor.model, t_c);
  if (!slope) return slope.error();

  const Unit& raw_unit = to_raw ? *unit : amount.unit;
  const double sensitivity = given == Quantity::temperature ? *slope : *slope * raw_unit.per_base;
  Converted out;
  out.value = value_text(unit->from_base(*found), to_raw ? nothing_k * std::abs(sensitivity) : nothing_k);
  out.unit = unit->name;
  out.sensitivity = significant(sensitivity, sensitivity_digits);
  out.sensitivity_unit = (given == Quantity::temperature ? "K" : std::string(raw_unit.name)) + "/K";
  out.caution = caution(sensor, t_c);
  return out;
}

std::string answer_text(const Converted& answer) {
  return answer.value + " " + answer.unit + "  " + answer.sensitivity + " " + answer.sensitivity_unit;
}

nlohmann::ordered_json answer_json(const Converted& answer) {
  nlohmann::ordered_json out = {{"value", number_of(answer.value)},
                                {"unit", answer.unit},
                                {"sensitivity", number_of(answer.sensitivity)},
                                {"sensitivity_unit", answer.sensitivity_unit}};
  if (!answer.caution.empty()) out["caution"] = answer.caution;
  return out;
}

}  // namespace nightwell::cli
