#include "journal/wording.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

#include "journal/plain_text.hpp"

namespace nightwell::journal {
namespace {

bool continues_a_code_point(char c) {
  return (static_cast<unsigned char>(c) & 0xC0U) == 0x80U;
}

bool looks_like_utc(std::string_view label) {
  static constexpr std::string_view shape = "0000-00-00T00:00:00";
  if (label.size() <= shape.size() || label.back() != 'Z') return false;
  for (std::size_t i = 0; i < label.size() - 1; ++i) {
    const bool digit = label[i] >= '0' && label[i] <= '9';
    const bool fraction = i >= shape.size() && (digit || (i == shape.size() && label[i] == '.'));
    if (i < shape.size() ? (shape[i] == '0' ? !digit : label[i] != shape[i]) : !fraction) return false;
  }
  return true;
}

std::string two_units(long long large, const char* large_name, long long small, const char* small_name) {
  return std::to_string(large) + " " + large_name + " " + std::to_string(small) + " " + small_name;
}

}  // namespace

std::string duration_text(double seconds) {
  if (!std::isfinite(seconds)) return "-";
  seconds = std::max(seconds, 0.0);
  if (seconds < 9.95) return shortest(std::round(seconds * 10) / 10) + " s";
  const long long whole = std::llround(std::min(seconds, 1e12));
  if (whole < 60) return std::to_string(whole) + " s";
  if (whole < 3600) return two_units(whole / 60, "min", whole % 60, "s");
  const long long minutes = (whole + 30) / 60;
  if (minutes < 24 * 60) return two_units(minutes / 60, "h", minutes % 60, "min");
  const long long hours = (minutes + 30) / 60;
  return two_units(hours / 24, "d", hours % 24, "h");
}

std::string fixed(double value, int decimals) {
  if (!std::isfinite(value)) return "-";
  if (std::abs(value) >= 1e15) return shortest(value);
  char text[64];
  const auto end = std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, decimals).ptr;
  std::string out(text, end);
  if (out.front() == '-' && out.find_first_of("123456789") == std::string::npos) out.erase(0, 1);
  return out;
}

std::string shortest(double value) {
  char text[64];
  const auto end = std::to_chars(text, text + sizeof text, value == 0 ? 0.0 : value).ptr;
  return std::string(text, end);
}

std::string utc_text(std::string_view label) {
  if (!looks_like_utc(label)) return shown(label);
  return std::string(label.substr(0, 10)) + " " + std::string(label.substr(11, 8)) + "Z";
}

std::string shown(std::string_view text) {
  return printable(text);
}

std::string words(std::string_view name) {
  std::string out = shown(name);
  for (std::size_t begin = 0; begin < out.size();) {
    const std::size_t end = std::min(out.find(' ', begin), out.size());
    const std::string_view word = std::string_view(out).substr(begin, end - begin);
    const std::string_view bare = word.substr(0, word.find_last_not_of(":;,.") + 1);
    const bool is_of_the_format =
        bare.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789_") == std::string_view::npos;
    const auto at = out.begin() + static_cast<std::ptrdiff_t>(begin);
    if (is_of_the_format) std::replace(at, at + static_cast<std::ptrdiff_t>(word.size()), '_', ' ');
    begin = end + 1;
  }
  return out;
}

std::size_t width(std::string_view text) {
  return columns(text);
}

std::string clip(std::string_view text, std::size_t columns) {
  if (width(text) <= columns) return std::string(text);
  if (columns == 0) return "";
  std::size_t end = 0;
  for (std::size_t taken = 0; end < text.size(); ++end) {
    if (continues_a_code_point(text[end])) continue;
    if (taken == columns - 1) break;
    ++taken;
  }
  return std::string(text.substr(0, end)) + "…";
}

std::string padded(std::string_view text, std::size_t columns) {
  std::string out(text);
  const std::size_t has = width(text);
  if (has < columns) out.append(columns - has, ' ');
  return out;
}

std::string table(const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths;
  for (const auto& row : rows) {
    widths.resize(std::max(widths.size(), row.size()));
    for (std::size_t i = 0; i < row.size(); ++i) widths[i] = std::max(widths[i], width(row[i]));
  }
  std::string out;
  for (const auto& row : rows) {
    std::string line;
    for (std::size_t i = 0; i < row.size(); ++i) line += padded(row[i], widths[i] + 2);
    line.erase(line.find_last_not_of(' ') + 1);
    out += line + "\n";
  }
  return out;
}

}  // namespace nightwell::journal
