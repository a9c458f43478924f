#include "cli/talk_text.hpp"

#include <algorithm>

#include "wire_log/wire_log.hpp"

namespace nightwell::cli {

namespace {

constexpr std::size_t longest_held = 4096;  // an endless line is shown in parts

std::string hex_lines(std::string_view bytes) {
  constexpr char digits[] = "0123456789abcdef";
  constexpr std::size_t columns = 16;
  std::string out;
  for (std::size_t at = 0; at < bytes.size(); at += columns) {
    const std::string_view row = bytes.substr(at, columns);
    std::string line;
    for (const char byte : row) {
      const auto c = static_cast<unsigned char>(byte);
      line += digits[c >> 4];
      line += digits[c & 15];
      line += ' ';
    }
    line.resize(3 * columns + 1, ' ');
    for (const char byte : row) line += byte >= ' ' && byte <= '~' ? byte : '.';
    if (at > 0) out += '\n';
    out += line;
  }
  return out;
}

}  // namespace

std::optional<std::string> terminator(std::string_view word) {
  if (word == "CR") return "\r";
  if (word == "LF") return "\n";
  if (word == "CRLF") return "\r\n";
  if (word == "none") return "";
  return std::nullopt;
}

std::vector<std::string> HeardLines::take(std::string_view bytes) {
  std::vector<std::string> out;
  held_ += bytes;
  while (!end_.empty()) {
    const std::size_t at = held_.find(end_);
    if (at == std::string::npos) break;
    out.push_back(held_.substr(0, at + end_.size()));
    held_.erase(0, at + end_.size());
  }
  if (!held_.empty() && (end_.empty() || held_.size() > longest_held)) out.push_back(std::exchange(held_, {}));
  return out;
}

std::string HeardLines::rest() {
  return std::exchange(held_, {});
}

std::string shown(std::string_view bytes, std::string_view end, bool hex) {
  if (hex) return hex_lines(bytes);
  if (!end.empty() && bytes.ends_with(end)) bytes.remove_suffix(end.size());
  return wire_log::escaped(bytes);
}

}  // namespace nightwell::cli
