#include "cli/port_text.hpp"

#include <array>
#include <charconv>
#include <utility>
#include <vector>

namespace nightwell::cli {
namespace {

constexpr std::array<std::pair<char, const char*>, 5> parities{
    {{'N', "none"}, {'E', "even"}, {'O', "odd"}, {'M', "mark"}, {'S', "space"}}};

Error bad_port(std::string_view text, const std::string& why) {
  return Error{Errc::bad_input, "reading the port \"" + std::string(text) + "\"",
               why + "; it is spelled " + port_spelling, ""};
}

std::vector<std::string_view> parts_of(std::string_view text, char separator) {
  std::vector<std::string_view> out;
  for (;;) {
    const std::size_t end = text.find(separator);
    out.push_back(text.substr(0, end));
    if (end == std::string_view::npos) return out;
    text.remove_prefix(end + 1);
  }
}

// 0: no such number.
int number_in(std::string_view text) {
  int value = 0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
  return problem == std::errc{} && end == text.data() + text.size() && value > 0 ? value : 0;
}

// "8N1"; false: it is none.
bool read_frame(std::string_view text, SerialPort& port) {
  if (text.size() != 3 || (text[0] != '7' && text[0] != '8') || (text[2] != '1' && text[2] != '2')) return false;
  port.data_bits = text[0] - '0';
  port.stop_bits = text[2] - '0';
  for (const auto& [letter, word] : parities) {
    if (letter != text[1]) continue;
    port.parity = word;
    return true;
  }
  return false;
}

Result<Port> parse_serial(std::string_view whole, std::string_view text) {
  const auto parts = parts_of(text, ',');
  SerialPort port;
  port.path = std::string(parts[0]);
  if (port.path.empty() || port.path.front() != '/') return bad_port(whole, "the device needs an absolute path");
  if (parts.size() < 2) return bad_port(whole, "the baud rate is missing");
  if (parts.size() > 4) return bad_port(whole, "too many parts");
  port.baud = number_in(parts[1]);
  if (port.baud == 0) return bad_port(whole, "\"" + std::string(parts[1]) + "\" is no baud rate");
  if (parts.size() > 2 && !read_frame(parts[2], port))
    return bad_port(whole, "\"" + std::string(parts[2]) + "\" is no frame like 8N1 or 7E2");
  if (parts.size() > 3) port.flow = std::string(parts[3]);
  if (port.flow != "none" && port.flow != "hardware" && port.flow != "software")
    return bad_port(whole, "the flow control is none, hardware or software");
  return Port(port);
}

Result<Port> parse_tcp(std::string_view whole, std::string_view text) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string_view::npos) return bad_port(whole, "the port number is missing");
  std::string_view host = text.substr(0, colon);
  if (host.size() > 2 && host.front() == '[' && host.back() == ']')
    host = host.substr(1, host.size() - 2);
  else if (host.find(':') != std::string_view::npos)
    return bad_port(whole, "an IPv6 address stands in [ ]");
  TcpPort port;
  port.host = std::string(host);
  port.port = number_in(text.substr(colon + 1));
  if (host.empty() || host.find_first_of(" /") != std::string_view::npos) return bad_port(whole, "that is no host");
  if (port.port == 0 || port.port > 65535) return bad_port(whole, "the port number is 1 to 65535");
  return Port(port);
}

struct Printer {
  std::string operator()(const SerialPort& port) const {
    std::string out = "serial:" + port.path + "," + std::to_string(port.baud) + "," + std::to_string(port.data_bits);
    for (const auto& [letter, word] : parities)
      if (port.parity == word) out += letter;
    return out + std::to_string(port.stop_bits) + (port.flow == "none" ? "" : "," + port.flow);
  }
  std::string operator()(const TcpPort& port) const {
    const bool v6 = port.host.find(':') != std::string::npos;
    return "tcp:" + (v6 ? "[" + port.host + "]" : port.host) + ":" + std::to_string(port.port);
  }
  std::string operator()(const PtyPort& port) const { return "pty:" + port.path; }
};

}  // namespace

Result<Port> parse_port(std::string_view text) {
  if (text.starts_with("serial:")) return parse_serial(text, text.substr(7));
  if (text.starts_with("tcp:")) return parse_tcp(text, text.substr(4));
  if (text.starts_with("pty:") && text.size() > 4) return Port(PtyPort{std::string(text.substr(4))});
  return bad_port(text, "it starts with serial:, tcp: or pty:");
}

std::string port_text(const Port& port) {
  return std::visit(Printer{}, port);
}

}  // namespace nightwell::cli
