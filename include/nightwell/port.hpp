// Ports as values: where an instrument is connected, with every line setting stated.
#pragma once

#include <string>
#include <variant>

namespace nightwell {

struct SerialPort {
  std::string path;  // stable: /dev/serial/by-id/… or by-path
  int baud = 9600;
  int data_bits = 8;            // 7 or 8
  std::string parity = "none";  // none, even, odd, mark, space
  int stop_bits = 1;            // 1 or 2
  std::string flow = "none";    // none, hardware, software
  // The two control lines after opening: on, off, or as the system leaves them (it raises both while it opens a port).
  std::string dtr = "as_opened", rts = "as_opened";
};
struct TcpPort {
  std::string host;  // a name or an address
  int port = 5025;   // 1..65535
};
struct PtyPort {
  std::string path;
};
using Port = std::variant<SerialPort, TcpPort, PtyPort>;

// One line for people, and the name under which a port is locked: "serial PATH", "tcp HOST:PORT", "pty PATH".
[[nodiscard]] inline std::string port_name(const Port& port) {
  struct Visitor {
    std::string operator()(const SerialPort& p) const { return "serial " + p.path; }
    std::string operator()(const TcpPort& p) const { return "tcp " + p.host + ":" + std::to_string(p.port); }
    std::string operator()(const PtyPort& p) const { return "pty " + p.path; }
  };
  return std::visit(Visitor{}, port);
}

}  // namespace nightwell
