#include "nightwell/instrument/scpi.hpp"

#include <array>
#include <charconv>
#include <cmath>

namespace nightwell::instrument {

namespace {

constexpr double infinity_code = 9.9e37;
constexpr double not_a_number_code = 9.91e37;
// Instruments that count in single precision print these codes a few parts in ten million off; the two codes
// are a part in a thousand apart.
constexpr double code_tolerance = 1e-4;
constexpr double largest_number = 1e30;

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

std::string_view take_digits(std::string_view& rest) {
  std::size_t n = 0;
  while (n < rest.size() && is_digit(rest[n])) ++n;
  const std::string_view digits = rest.substr(0, n);
  rest.remove_prefix(n);
  return digits;
}

void take_sign(std::string_view& rest) {
  if (!rest.empty() && (rest.front() == '+' || rest.front() == '-')) rest.remove_prefix(1);
}

bool is_decimal_number(std::string_view text) {
  take_sign(text);
  std::size_t digits = take_digits(text).size();
  if (!text.empty() && text.front() == '.') {
    text.remove_prefix(1);
    digits += take_digits(text).size();
  }
  if (digits == 0) return false;
  if (text.empty()) return true;
  if (text.front() != 'E' && text.front() != 'e') return false;
  text.remove_prefix(1);
  take_sign(text);
  return !take_digits(text).empty() && text.empty();
}

Error garbled(std::string_view expected, std::string_view text) {
  Error error;
  error.code = Errc::garbled;
  error.detail = "expected " + std::string(expected) + ", got \"" + printable(text) + "\"";
  return error;
}

Error condition(Errc code, std::string_view meaning, std::string_view text) {
  Error error;
  error.code = code;
  error.detail = std::string(meaning) + " (\"" + printable(text) + "\")";
  return error;
}

}  // namespace

Result<double> parse_scpi_number(std::string_view text) {
  if (text == "NAN") return condition(Errc::open_sensor, "the instrument says: not a number", text);
  if (text == "INF" || text == "NINF" || text == "INFINITY" || text == "NINFINITY")
    return condition(Errc::overload, "the instrument says: beyond its range", text);
  if (!is_decimal_number(text)) return garbled("a number", text);

  const char* first = text.data();
  const char* last = first + text.size();
  if (*first == '+') ++first;  // from_chars knows no plus sign
  double value = 0;
  const auto [end, problem] = std::from_chars(first, last, value);
  if (problem != std::errc{} || end != last) return garbled("a number that fits", text);

  const double size = std::abs(value);
  if (std::abs(size / not_a_number_code - 1) < code_tolerance)
    return condition(Errc::open_sensor, "the instrument says: not a number", text);
  if (size >= infinity_code * (1 - code_tolerance))
    return condition(Errc::overload, "the instrument says: beyond its range", text);
  if (size > largest_number) return garbled("a number below 1e30", text);
  return value;
}

Result<bool> parse_scpi_boolean(std::string_view text) {
  if (text == "1") return true;
  if (text == "0") return false;
  return garbled("0 or 1", text);
}

Result<QueueEntry> parse_scpi_error(std::string_view text) {
  const std::size_t comma = text.find(',');
  if (comma == std::string_view::npos) return garbled("an error-queue entry", text);
  std::string_view number = text.substr(0, comma);
  if (number.size() > 1 && number.front() == '+' && is_digit(number[1])) number.remove_prefix(1);
  QueueEntry entry;
  const char* last = number.data() + number.size();
  const auto [end, problem] = std::from_chars(number.data(), last, entry.number);
  if (problem != std::errc{} || end != last) return garbled("an error-queue entry", text);

  std::string_view words = text.substr(comma + 1);
  if (words.size() < 2 || words.front() != '"' || words.back() != '"') return garbled("an error-queue entry", text);
  words = words.substr(1, words.size() - 2);
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (words[i] == '"' && (++i == words.size() || words[i] != '"')) return garbled("an error-queue entry", text);
    entry.text += words[i];
  }
  return entry;
}

Result<Identity> parse_scpi_identity(std::string_view text) {
  bool fits = text.size() >= 4 && text.size() <= 256 && text.find(',') != std::string_view::npos;
  for (const char c : text) fits = fits && c >= ' ' && c <= '~';
  // An error-queue entry has a comma too: it may be a late answer, never an identity.
  if (!fits || parse_scpi_error(text).ok()) return garbled("an identity", text);
  Identity identity;
  identity.text = std::string(text);
  return identity;
}

Result<std::string> format_scpi_temperature(double t_c) {
  if (!std::isfinite(t_c) || std::abs(t_c) > 10'000) {
    Error error;
    error.code = Errc::bad_input;
    error.detail = "a target must be a finite temperature within 10,000 °C";
    return error;
  }
  std::array<char, 400> digits{};  // the smallest double needs some 340 places without exponent
  const auto [end, problem] =
      std::to_chars(digits.data(), digits.data() + digits.size(), t_c, std::chars_format::fixed);
  if (problem != std::errc{}) {
    Error error;
    error.code = Errc::bad_input;
    error.detail = "the target has too many places";
    return error;
  }
  return std::string(digits.data(), end);
}

std::string printable(std::string_view bytes, std::size_t longest) {
  constexpr std::string_view hex = "0123456789abcdef";
  std::string out;
  for (const char c : bytes.substr(0, longest)) {
    const auto byte = static_cast<unsigned char>(c);
    if (c == '\\') {
      out += "\\\\";
    } else if (c >= ' ' && c <= '~') {
      out += c;
    } else {
      out += "\\x";
      out += hex[byte >> 4U];
      out += hex[byte & 0xFU];
    }
  }
  if (bytes.size() > longest) out += "… (" + std::to_string(bytes.size()) + " bytes)";
  return out;
}

}  // namespace nightwell::instrument
