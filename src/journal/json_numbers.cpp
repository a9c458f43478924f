#include "journal/json_numbers.hpp"

#include <algorithm>
#include <charconv>
#include <cstdint>
#include <string>

namespace nightwell::journal::strict_json {

namespace {

// A decimal number without the ways it can be written: its digits without zeros at either end, and the power
// of ten of the first.
struct Decimal {
  std::string digits;
  std::int64_t power = 0;
  friend bool operator==(const Decimal&, const Decimal&) = default;
};

Decimal decimal(std::string_view number) {
  if (!number.empty() && number.front() == '-') number.remove_prefix(1);
  const std::size_t e = std::min(number.find_first_of("eE"), number.size());
  std::int64_t exponent = 0;
  if (e < number.size()) {
    std::string_view text = number.substr(e + 1);
    if (!text.empty() && text.front() == '+') text.remove_prefix(1);
    std::from_chars(text.data(), text.data() + text.size(), exponent);
  }
  Decimal out;
  const std::string_view mantissa = number.substr(0, e);
  const std::size_t point = std::min(mantissa.find('.'), mantissa.size());
  for (const char c : mantissa)
    if (c != '.') out.digits += c;
  out.power = exponent + static_cast<std::int64_t>(point);
  const std::size_t zeros = std::min(out.digits.find_first_not_of('0'), out.digits.size());
  out.digits.erase(0, zeros);
  out.power -= static_cast<std::int64_t>(zeros);
  out.digits.erase(out.digits.find_last_not_of('0') + 1);
  if (out.digits.empty()) out.power = 0;
  return out;
}

bool has_exponent(std::string_view lexeme) {
  return std::any_of(lexeme.begin(), lexeme.end(), [](char c) { return c == 'e' || c == 'E'; });
}

bool comes_back(std::string_view lexeme, double value) {
  // Up to 15 digits always come back (DBL_DIG), away from the ends of the range; a short lexeme without an
  // exponent is far away from them.
  if (lexeme.size() <= 16 && !has_exponent(lexeme)) return true;
  std::array<char, 32> room{};
  const std::string_view again = print(value, room);
  return again == lexeme || decimal(again) == decimal(lexeme);
}

}  // namespace

std::string_view print(double value, std::array<char, 32>& into) {
  const auto done = std::to_chars(into.data(), into.data() + into.size(), value);
  return {into.data(), static_cast<std::size_t>(done.ptr - into.data())};
}

const char* read_double(std::string_view lexeme, double& out) {
  if (std::from_chars(lexeme.data(), lexeme.data() + lexeme.size(), out).ec != std::errc())
    return "a number beyond what a double can hold";
  return comes_back(lexeme, out) ? nullptr : "a number with more digits than a double can hold";
}

}  // namespace nightwell::journal::strict_json
