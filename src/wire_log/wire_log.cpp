#include "wire_log/wire_log.hpp"

#include <charconv>
#include <utility>

namespace nightwell::wire_log {

namespace {

Error wrong(int line, std::string detail) {
  return Error{Errc::bad_input, "reading a wire log", "line " + std::to_string(line) + ": " + std::move(detail), ""};
}

std::optional<std::chrono::milliseconds> milliseconds_in(std::string_view text) {
  long long value = 0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (problem != std::errc{} || end != text.data() + text.size() || value < 0 || value > longest_wait.count())
    return std::nullopt;
  return std::chrono::milliseconds(value);
}

std::optional<int> hex_digit(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return std::nullopt;
}

// "% KEY VALUE".
std::optional<std::string> take_setting(WireLog& log, std::string_view text) {
  const std::size_t space = text.find(' ');
  const std::string_view key = text.substr(0, space);
  const std::string value(space == std::string_view::npos ? std::string_view() : text.substr(space + 1));
  if (key == "driver")
    log.driver = value;
  else if (key == "dialect")
    log.dialect = value;
  else if (key == "identity")
    log.identity = value;
  else if (key != "reply_ms")
    return "the setting is none of driver, dialect, identity and reply_ms";
  else if (log.reply = milliseconds_in(value); !log.reply)
    return "reply_ms is no number of milliseconds";
  return std::nullopt;
}

std::optional<Mark> event_mark(std::string_view word) {
  if (word == "timeout") return Mark::silence;
  if (word == "eof") return Mark::unplugged;
  if (word == "open") return Mark::plugged;
  if (word == "flood") return Mark::flood;
  if (word == "lost") return Mark::lost;
  if (word == "end") return Mark::ended;
  return std::nullopt;
}

Result<Step> read_step(std::string_view line, int number) {
  Step step;
  step.line = number;
  const char mark = line.front();
  const std::string_view close = line.substr(1);
  if (mark == '@') {
    const auto wait = milliseconds_in(close);
    if (!wait) return wrong(number, "a wait is a whole number of milliseconds, at most a week");
    step.mark = Mark::wait;
    step.wait = *wait;
    return step;
  }
  if (mark == '!') {
    const std::size_t word_end = close.find(' ');
    const auto event = event_mark(close.substr(0, word_end));
    if (!event) return wrong(number, "the event is none of !timeout, !eof, !open, !flood, !lost and !end");
    step.mark = *event;
    step.text = word_end == std::string_view::npos ? std::string_view() : close.substr(word_end + 1);
    return step;
  }
  const std::string_view text = close.substr(close.starts_with(' ') ? 1 : 0);
  if (mark == ':' || mark == '=') {
    step.mark = mark == ':' ? Mark::call : Mark::result;
    step.text = text;
    return step;
  }
  if (mark != '>' && mark != '<') return wrong(number, "a line begins with one of # % : = > < @ !");
  auto bytes = unescaped(text);
  if (!bytes) return wrong(number, "an escape is none of \\n, \\r, \\\\ and \\xNN");
  step.mark = mark == '>' ? Mark::sent : Mark::received;
  step.text = std::move(*bytes);
  return step;
}

}  // namespace

Result<WireLog> parse(std::string_view text) {
  WireLog log;
  log.recorded = text.starts_with("# recorded");
  for (int number = 1; !text.empty(); ++number) {
    const std::size_t end = text.find('\n');
    if (end == std::string_view::npos && log.recorded) {
      log.torn = true;
      break;
    }
    const std::string_view line = text.substr(0, end);
    text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
    if (line.empty() || line.front() == '#') continue;
    if (line.front() == '%') {
      if (auto problem = take_setting(log, line.substr(std::min<std::size_t>(2, line.size()))))
        return wrong(number, std::move(*problem));
      continue;
    }
    auto step = read_step(line, number);
    if (!step) return step.error();
    log.steps.push_back(std::move(step).value());
  }
  return log;
}

std::optional<std::string> unescaped(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '\\') {
      out += text[i];
      continue;
    }
    if (++i == text.size()) return std::nullopt;
    if (text[i] == 'n') {
      out += '\n';
    } else if (text[i] == 'r') {
      out += '\r';
    } else if (text[i] == '\\') {
      out += '\\';
    } else if (text[i] == 'x' && i + 2 < text.size()) {
      const auto high = hex_digit(text[i + 1]), low = hex_digit(text[i + 2]);
      if (!high || !low) return std::nullopt;
      out += static_cast<char>(*high * 16 + *low);
      i += 2;
    } else {
      return std::nullopt;
    }
  }
  return out;
}

std::string escaped(std::string_view bytes) {
  constexpr char digits[] = "0123456789abcdef";
  std::string out;
  out.reserve(bytes.size() + 8);
  for (const char byte : bytes) {
    const auto c = static_cast<unsigned char>(byte);
    if (byte == '\n') {
      out += "\\n";
    } else if (byte == '\r') {
      out += "\\r";
    } else if (byte == '\\') {
      out += "\\\\";
    } else if (c >= ' ' && c <= '~') {
      out += byte;
    } else {
      out += "\\x";
      out += digits[c >> 4];
      out += digits[c & 15];
    }
  }
  return out;
}

}  // namespace nightwell::wire_log
