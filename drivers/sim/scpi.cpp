#include "drivers/sim/scpi.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

namespace nightwell::sim::scpi {
namespace {

constexpr std::size_t longest_mnemonic = 12;
constexpr std::size_t most_channels = 1000;

// Locale-free character classes.
bool is_letter(char c) {
  return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}
bool is_upper(char c) {
  return c >= 'A' && c <= 'Z';
}
bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_blank(char c) {
  return c == ' ' || c == '\t';
}
char to_upper(char c) {
  return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
}

std::string upper(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(), to_upper);
  return out;
}

std::string_view trim(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

// Splits at `separator` wherever it stands outside quotes and brackets.
std::vector<std::string_view> split(std::string_view text, char separator) {
  std::vector<std::string_view> parts;
  std::size_t from = 0;
  int depth = 0;
  char quote = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quote != 0) {
      if (c == quote) quote = 0;
    } else if (c == '"' || c == '\'') {
      quote = c;
    } else if (c == '(') {
      ++depth;
    } else if (c == ')') {
      --depth;
    } else if (c == separator && depth <= 0) {
      parts.push_back(text.substr(from, i - from));
      from = i + 1;
    }
  }
  parts.push_back(text.substr(from));
  return parts;
}

Code check_mnemonic(std::string_view node) {
  if (node.empty() || !is_letter(node.front())) return Code::syntax;
  if (!std::all_of(node.begin(), node.end(), [](char c) { return is_letter(c) || is_digit(c) || c == '_'; }))
    return Code::syntax;
  return node.size() > longest_mnemonic ? Code::mnemonic_too_long : Code::none;
}

// Reads "MEAS:VOLT?" into the unit.
Code parse_header(std::string_view header, Unit& unit) {
  if (header.ends_with('?')) {
    unit.query = true;
    header.remove_suffix(1);
  }
  if (header.starts_with('*')) {
    if (const Code code = check_mnemonic(header.substr(1)); code != Code::none) return code;
    unit.nodes.push_back(upper(header));
    return Code::none;
  }
  if (header.starts_with(':')) {
    unit.absolute = true;
    header.remove_prefix(1);
  }
  for (std::string_view node : split(header, ':')) {
    if (const Code code = check_mnemonic(node); code != Code::none) return code;
    unit.nodes.push_back(upper(node));
  }
  return Code::none;
}

std::variant<Unit, Code> parse_unit(std::string_view text) {
  text = trim(text);
  const auto bad = [](char c) { return static_cast<unsigned char>(c) > 126 || (c < ' ' && c != '\t'); };
  if (std::any_of(text.begin(), text.end(), bad)) return Code::invalid_character;
  const auto end = std::find_if(text.begin(), text.end(), is_blank);
  const auto header_size = static_cast<std::size_t>(end - text.begin());
  Unit unit;
  if (const Code code = parse_header(text.substr(0, header_size), unit); code != Code::none) return code;
  const std::string_view rest = trim(text.substr(header_size));
  if (rest.empty()) return unit;
  for (std::string_view parameter : split(rest, ',')) {
    parameter = trim(parameter);
    if (parameter.empty()) return Code::syntax;
    unit.parameters.emplace_back(parameter);
  }
  return unit;
}

// One or two channel numbers, "101" or "101:103", appended in their order.
Code append_channels(std::string_view entry, std::vector<int>& channels) {
  const std::vector<std::string_view> ends = split(trim(entry), ':');
  if (ends.size() > 2) return Code::invalid_expression;
  int values[2] = {0, 0};
  for (std::size_t i = 0; i < ends.size(); ++i) {
    const std::string_view digits = trim(ends[i]);
    const auto [stop, error] = std::from_chars(digits.data(), digits.data() + digits.size(), values[i]);
    if (error != std::errc{} || stop != digits.data() + digits.size() || values[i] < 0) return Code::invalid_expression;
  }
  const int first = values[0];
  const int last = ends.size() == 2 ? values[1] : first;
  if (static_cast<std::size_t>(std::abs(last - first)) + channels.size() >= most_channels) return Code::too_much_data;
  const int step = last < first ? -1 : 1;
  for (int channel = first; channel != last + step; channel += step) channels.push_back(channel);
  return Code::none;
}

// 21.8.3: what class an error belongs to decides the bit of the event status register.
int event_bit(Code code) {
  const int number = static_cast<int>(code);
  if (number <= -100 && number > -200) return 32;
  if (number <= -200 && number > -300) return 16;
  if (number <= -300 && number > -400) return 8;
  if (number <= -400 && number > -500) return 4;
  return 0;
}

}  // namespace

std::string_view text(Code code) {
  switch (code) {
    case Code::none: return "No error";
    case Code::invalid_character: return "Invalid character";
    case Code::syntax: return "Syntax error";
    case Code::data_type: return "Data type error";
    case Code::parameter_not_allowed: return "Parameter not allowed";
    case Code::missing_parameter: return "Missing parameter";
    case Code::mnemonic_too_long: return "Program mnemonic too long";
    case Code::undefined_header: return "Undefined header";
    case Code::numeric_data: return "Numeric data error";
    case Code::exponent_too_large: return "Exponent too large";
    case Code::invalid_suffix: return "Invalid suffix";
    case Code::invalid_expression: return "Invalid expression";
    case Code::execution: return "Execution error";
    case Code::settings_conflict: return "Settings conflict";
    case Code::out_of_range: return "Data out of range";
    case Code::too_much_data: return "Too much data";
    case Code::illegal_parameter: return "Illegal parameter value";
    case Code::queue_overflow: return "Queue overflow";
    case Code::input_overrun: return "Input buffer overrun";
  }
  return "Execution error";
}

std::vector<std::variant<Unit, Code>> parse(std::string_view line) {
  std::vector<std::variant<Unit, Code>> units;
  if (trim(line).empty()) return units;
  for (std::string_view part : split(line, ';')) {
    units.push_back(parse_unit(part));
    if (std::holds_alternative<Code>(units.back())) break;
  }
  return units;
}

std::vector<std::string> resolve(const Unit& unit, const std::vector<std::string>& path) {
  if (unit.common() || unit.absolute) return unit.nodes;
  std::vector<std::string> nodes = path;
  nodes.insert(nodes.end(), unit.nodes.begin(), unit.nodes.end());
  return nodes;
}

Header::Header(std::string_view pattern) {
  if (pattern.ends_with('?')) {
    query_ = true;
    pattern.remove_suffix(1);
  }
  bool optional = false;
  Node node;
  const auto finish = [&] {
    if (node.long_form.empty()) return;
    node.optional = optional;
    nodes_.push_back(node);
    node = Node{};
  };
  for (char c : pattern) {
    if (c == '[' || c == ']' || c == ':') {
      finish();
      if (c != ':') optional = c == '[';
      continue;
    }
    node.long_form += to_upper(c);
    if (is_upper(c) || c == '*') node.short_form += c;
  }
  finish();
}

bool Header::matches(const std::vector<std::string>& nodes, bool query) const {
  return query == query_ && matches_from(0, nodes, 0);
}

bool Header::matches_from(std::size_t node, const std::vector<std::string>& nodes, std::size_t at) const {
  if (node == nodes_.size()) return at == nodes.size();
  const Node& wanted = nodes_[node];
  if (at < nodes.size() && (nodes[at] == wanted.short_form || nodes[at] == wanted.long_form) &&
      matches_from(node + 1, nodes, at + 1))
    return true;
  return wanted.optional && matches_from(node + 1, nodes, at);
}

std::variant<double, Code> number(std::string_view parameter) {
  std::string_view digits = parameter;
  if (digits.starts_with('+')) {
    digits.remove_prefix(1);
    if (digits.starts_with('-') || digits.starts_with('+')) return Code::numeric_data;
  }
  if (digits.empty()) return Code::numeric_data;
  const char first = digits.front();
  if (!is_digit(first) && first != '-' && first != '.') return Code::data_type;
  double value = 0;
  const auto [stop, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
  if (error == std::errc::result_out_of_range) return Code::exponent_too_large;
  if (error != std::errc{} || !std::isfinite(value)) return Code::numeric_data;
  const std::string_view rest = trim(digits.substr(static_cast<std::size_t>(stop - digits.data())));
  if (rest.empty()) return value;
  return is_letter(rest.front()) ? Code::invalid_suffix : Code::numeric_data;
}

std::variant<bool, Code> boolean(std::string_view parameter) {
  if (is_word(parameter, "ON")) return true;
  if (is_word(parameter, "OFF")) return false;
  if (!parameter.empty() && is_letter(parameter.front())) return Code::illegal_parameter;
  const auto value = number(parameter);
  if (const Code* code = std::get_if<Code>(&value)) return *code;
  return std::round(std::get<double>(value)) != 0;
}

std::variant<std::vector<int>, Code> channel_list(std::string_view parameter) {
  if (!parameter.starts_with('(')) return Code::data_type;
  if (!parameter.starts_with("(@") || !parameter.ends_with(')')) return Code::invalid_expression;
  const std::string_view inside = parameter.substr(2, parameter.size() - 3);
  std::vector<int> channels;
  for (std::string_view entry : split(inside, ','))
    if (const Code code = append_channels(entry, channels); code != Code::none) return code;
  return channels;
}

bool is_word(std::string_view parameter, std::string_view pattern) {
  std::string short_form;
  std::copy_if(pattern.begin(), pattern.end(), std::back_inserter(short_form), is_upper);
  const std::string word = upper(parameter);
  return word == short_form || word == upper(pattern);
}

std::string format(double value) {
  char buffer[40];
  const auto [end, error] = std::to_chars(buffer, buffer + sizeof buffer, value, std::chars_format::scientific, 8);
  std::string out = error == std::errc{} ? std::string(buffer, end) : "9.91000000e+37";
  std::transform(out.begin(), out.end(), out.begin(), to_upper);
  return out.starts_with('-') ? out : "+" + out;
}

void Status::raise(Code code) {
  event_ |= event_bit(code);
  if (queue_.size() < queue_length) {
    queue_.push_back(code);
    return;
  }
  queue_.back() = Code::queue_overflow;
  event_ |= event_bit(Code::queue_overflow);
}

std::string Status::next_error() {
  Code code = Code::none;
  if (!queue_.empty()) {
    code = queue_.front();
    queue_.pop_front();
  }
  return std::to_string(static_cast<int>(code)) + ",\"" + std::string(text(code)) + "\"";
}

void Status::clear() {
  queue_.clear();
  event_ = 0;
}

void Status::power_on() {
  *this = Status{};
}

int Status::take_event() {
  const int event = event_;
  event_ = 0;
  return event;
}

int Status::byte() const {
  int byte = queue_.empty() ? 0 : 4;
  if ((event_ & event_enable) != 0) byte |= 32;
  if ((byte & request_enable & ~64) != 0) byte |= 64;
  return byte;
}

}  // namespace nightwell::sim::scpi
