#include "cli/amount.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <vector>

namespace nightwell::cli {
namespace {

// °F: 1.8 degrees a kelvin, 32 at 0 °C; K: 273.15 at 0 °C (both exact by definition; SI brochure, ITS-90).
constexpr std::array<Unit, 10> all_units{{{"C", Quantity::temperature, 1, 0},
                                          {"K", Quantity::temperature, 1, 273.15},
                                          {"F", Quantity::temperature, 1.8, 32},
                                          {"uV", Quantity::voltage, 1e6, 0},
                                          {"mV", Quantity::voltage, 1e3, 0},
                                          {"V", Quantity::voltage, 1, 0},
                                          {"ohm", Quantity::resistance, 1, 0},
                                          {"kohm", Quantity::resistance, 1e-3, 0},
                                          {"mA", Quantity::current, 1e3, 0},
                                          {"A", Quantity::current, 1, 0}}};

constexpr std::size_t longest_shown = 40;  // bytes of a text that is no amount

std::string listed(const std::vector<std::string_view>& names) {
  std::string out;
  for (std::size_t i = 0; i < names.size(); ++i)
    out += (i == 0 ? "" : i + 1 == names.size() ? " or " : ", ") + std::string(names[i]);
  return out;
}

Error no_amount(std::string_view text, const std::string& detail) {
  return {Errc::bad_input, "reading \"" + std::string(text.substr(0, longest_shown)) + "\"", detail, ""};
}

Error no_unit(std::string_view text, std::string_view found) {
  if (found.empty()) return no_amount(text, "there is no unit; write one behind the number: " + unit_names());
  if (found.front() == ' ' || found.front() == '\t')
    return no_amount(text, "the unit follows the number with no blank and ends the text");
  if (found.front() == ',') return no_amount(text, "the decimal sign is a point");
  return no_amount(
      text, "\"" + std::string(found.substr(0, longest_shown)) + "\" is not a unit; the units are " + unit_names());
}

// std::from_chars takes no plus sign; tables have them.
std::string_view without_plus(std::string_view text) {
  const bool plus = text.size() > 1 && text[0] == '+' && text[1] != '-';
  return plus ? text.substr(1) : text;
}

}  // namespace

std::optional<Unit> unit_named(std::string_view name) {
  for (const Unit& unit : all_units)
    if (unit.name == name) return unit;
  return std::nullopt;
}

Unit usual_unit(Quantity quantity) {
  switch (quantity) {
    case Quantity::voltage: return all_units[4];
    case Quantity::resistance: return all_units[6];
    case Quantity::current: return all_units[8];
    case Quantity::temperature: break;
  }
  return all_units[0];
}

std::string unit_names(Quantity quantity) {
  std::vector<std::string_view> names;
  for (const Unit& unit : all_units)
    if (unit.quantity == quantity) names.push_back(unit.name);
  return listed(names);
}

std::string unit_names() {
  std::vector<std::string_view> names;
  for (const Unit& unit : all_units) names.push_back(unit.name);
  return listed(names);
}

Result<Amount> parse_amount(std::string_view text) {
  const std::string_view number = without_plus(text);
  const char* const last = number.data() + number.size();
  double value = 0;
  const auto [end, error] = std::from_chars(number.data(), last, value);
  if (error == std::errc::invalid_argument)
    return no_amount(text, "it does not begin with a number; write a number and its unit, as 100C or 4.0962mV");
  if (error != std::errc() || !std::isfinite(value)) return no_amount(text, "this is not a finite number");
  const std::string_view name(end, static_cast<std::size_t>(last - end));
  const auto unit = unit_named(name);
  if (!unit) return no_unit(text, name);
  return Amount{value, *unit};
}

std::string significant(double value, int digits) {
  if (value == 0) return "0";
  char text[64];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, digits).ptr};
}

}  // namespace nightwell::cli
