#include "dialect/dialect.hpp"

namespace nightwell::dialect {

namespace {

struct Scale {
  Quantity quantity;
  double factor, offset;  // base = (value + offset) * factor
};

Scale scale_of(Unit unit) {
  switch (unit) {
    case Unit::celsius: return {Quantity::temperature, 1, 0};
    case Unit::fahrenheit: return {Quantity::temperature, 5.0 / 9.0, -32};
    case Unit::kelvin: return {Quantity::temperature, 1, -273.15};
    case Unit::volt: return {Quantity::voltage, 1, 0};
    case Unit::millivolt: return {Quantity::voltage, 1e-3, 0};
    case Unit::microvolt: return {Quantity::voltage, 1e-6, 0};
    case Unit::ohm: return {Quantity::resistance, 1, 0};
    case Unit::kilohm: return {Quantity::resistance, 1e3, 0};
    case Unit::ampere: return {Quantity::current, 1, 0};
    case Unit::milliampere: return {Quantity::current, 1e-3, 0};
  }
  return {Quantity::temperature, 1, 0};
}

}  // namespace

Quantity quantity_of(Unit unit) {
  return scale_of(unit).quantity;
}

double to_base(double value, Unit unit) {
  const Scale scale = scale_of(unit);
  return (value + scale.offset) * scale.factor;
}

double from_base(double value, Unit unit) {
  const Scale scale = scale_of(unit);
  return value / scale.factor - scale.offset;
}

double step_of(Unit unit) {
  return scale_of(unit).factor;
}

std::optional<std::string> ChannelField::text(int address) const {
  if (!names.empty()) {
    const auto found = names.find(address);
    return found == names.end() ? std::nullopt : std::optional<std::string>(found->second);
  }
  if (address < lowest || address > highest) return std::nullopt;
  std::string out = std::to_string(address);
  if (out.size() < static_cast<std::size_t>(digits)) out.insert(0, static_cast<std::size_t>(digits) - out.size(), '0');
  return out;
}

const DialectCommand* Dialect::find(std::string_view command) const {
  const auto found = names.find(command);
  return found == names.end() ? nullptr : &commands[found->second];
}

}  // namespace nightwell::dialect
