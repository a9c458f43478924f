#include "report/numbers.hpp"

#include <array>
#include <charconv>
#include <cmath>

namespace nightwell::report {

std::string fixed(std::optional<double> value, int decimals) {
  if (!value) return "-";
  std::array<char, 400> room{};  // a double in full has up to 309 digits before its point
  const auto done = std::to_chars(room.data(), room.data() + room.size(), *value, std::chars_format::fixed, decimals);
  std::string out(room.data(), done.ptr);
  if (out.front() == '-' && out.find_first_of("123456789") == std::string::npos) out.erase(0, 1);
  return out;
}

void append_exact(std::string& out, std::optional<double> value) {
  if (!value) return;
  // Plain decimals where a person can still read them, else the shorter form: 0.0003, not 3e-04.
  const double size = std::abs(*value);
  const bool plain = size == 0 || (size >= 1e-6 && size < 1e15);
  std::array<char, 64> room{};
  const auto done = plain ? std::to_chars(room.data(), room.data() + room.size(), *value, std::chars_format::fixed)
                          : std::to_chars(room.data(), room.data() + room.size(), *value);
  out.append(room.data(), done.ptr);
}

std::string exact(std::optional<double> value) {
  std::string out;
  append_exact(out, value);
  return out;
}

std::string raw_text(std::optional<double> raw, Quantity quantity) {
  if (!raw) return "-";
  switch (quantity) {
    case Quantity::voltage: return fixed(*raw * 1e3, 5) + " mV";
    case Quantity::resistance: return fixed(*raw, 5) + " ohm";
    case Quantity::current: return fixed(*raw * 1e3, 5) + " mA";
    case Quantity::temperature: return fixed(*raw, 4) + " °C";
  }
  return "";
}

std::string counted(std::size_t count, const std::string& thing) {
  return std::to_string(count) + " " + thing + (count == 1 ? "" : "s");
}

}  // namespace nightwell::report
