#include "modbus/registers.hpp"

#include <bit>
#include <cmath>
#include <limits>

namespace nightwell::modbus {

namespace {

using dialect::NumberType;
using dialect::RegisterNumber;

constexpr double coldest_c = -273.15;
constexpr double largest_value = 1e30;

Error number_error(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

std::uint32_t joined(const std::vector<std::uint16_t>& words, const RegisterNumber& number) {
  if (words.size() < 2) return words.empty() ? 0 : words.front();
  const std::uint32_t high = words[number.low_word_first ? 1 : 0], low = words[number.low_word_first ? 0 : 1];
  return high << 16U | low;
}

std::vector<std::uint16_t> split(std::uint32_t bits, const RegisterNumber& number) {
  const auto high = static_cast<std::uint16_t>(bits >> 16U), low = static_cast<std::uint16_t>(bits & 0xFFFFU);
  if (dialect::registers_of(number.type) == 1) return {low};
  return number.low_word_first ? std::vector<std::uint16_t>{low, high} : std::vector<std::uint16_t>{high, low};
}

std::int64_t whole_number(std::uint32_t bits, NumberType type) {
  switch (type) {
    case NumberType::int16: return static_cast<std::int16_t>(static_cast<std::uint16_t>(bits));
    case NumberType::int32: return static_cast<std::int32_t>(bits);
    default: return bits;
  }
}

struct WholeRange {
  std::int64_t low, high;
};
WholeRange whole_range(NumberType type) {
  switch (type) {
    case NumberType::int16: return {std::numeric_limits<std::int16_t>::min(), std::numeric_limits<std::int16_t>::max()};
    case NumberType::uint16: return {0, std::numeric_limits<std::uint16_t>::max()};
    case NumberType::int32: return {std::numeric_limits<std::int32_t>::min(), std::numeric_limits<std::int32_t>::max()};
    default: return {0, std::numeric_limits<std::uint32_t>::max()};
  }
}

Result<double> raw_value(std::uint32_t bits, const RegisterNumber& number) {
  if (number.type == NumberType::float32) {
    const float raw = std::bit_cast<float>(bits);
    if (std::isnan(raw)) return number_error(Errc::open_sensor, "its register holds NaN: no number");
    if (!(std::abs(raw) <= largest_value)) return number_error(Errc::overload, "its register holds no finite number");
    return static_cast<double>(raw);
  }
  const std::int64_t raw = whole_number(bits, number.type);
  for (const auto& [value, condition] : number.no_number)
    if (raw == value) return number_error(condition, "its register holds " + std::to_string(raw) + ": no number");
  return static_cast<double>(raw);
}

}  // namespace

Result<double> temperature_in(const std::vector<std::uint16_t>& words, const RegisterNumber& number) {
  const Result<double> raw = raw_value(joined(words, number), number);
  if (!raw) return raw;
  const double t_c = dialect::to_base(*raw * number.factor + number.offset, number.unit);
  if (!(std::abs(t_c) <= largest_value)) return number_error(Errc::overload, "its register holds a number beyond 1e30");
  if (t_c < coldest_c) return number_error(Errc::out_of_range, std::to_string(t_c) + " °C is below absolute zero");
  return t_c;
}

Result<std::vector<std::uint16_t>> words_for(double t_c, const RegisterNumber& number) {
  const double raw = (dialect::from_base(t_c, number.unit) - number.offset) / number.factor;
  if (!std::isfinite(raw)) return number_error(Errc::bad_input, "a register holds finite numbers only");
  if (number.type == NumberType::float32) {
    if (std::abs(raw) > largest_value) return number_error(Errc::bad_input, "the number is beyond 1e30");
    return split(std::bit_cast<std::uint32_t>(static_cast<float>(raw)), number);
  }
  const double rounded = std::round(raw);
  const WholeRange range = whole_range(number.type);
  if (rounded < static_cast<double>(range.low) || rounded > static_cast<double>(range.high))
    return number_error(Errc::bad_input, "the register's type cannot carry " + std::to_string(t_c) + " °C");
  return split(static_cast<std::uint32_t>(static_cast<std::int64_t>(rounded)), number);
}

double resolution_k(double t_c, const RegisterNumber& number) {
  const double of_unit = std::abs(number.factor) * dialect::step_of(number.unit);
  if (number.type != NumberType::float32) return of_unit;
  const double raw = (dialect::from_base(t_c, number.unit) - number.offset) / number.factor;
  return of_unit * std::max(std::abs(raw), 1.0) * std::numeric_limits<float>::epsilon();
}

}  // namespace nightwell::modbus
