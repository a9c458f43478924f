// Ports as people type them in a command:
//
//   serial:PATH,BAUD[,8N1[,FLOW]]   serial:/dev/serial/by-id/usb-…,9600,7E1,hardware
//   tcp:HOST:PORT                   tcp:192.168.1.20:5025   tcp:[fe80::1]:5025
//   pty:PATH
//
// 8N1: data bits 7 or 8; parity N(one), E(ven), O(dd), M(ark) or S(pace); stop bits 1 or 2. FLOW: none, hardware or
// software. A comma in a serial PATH cannot be written. Nothing is opened or looked up here.
#pragma once

#include <string>
#include <string_view>

#include "nightwell/port.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

inline constexpr const char* port_spelling = "serial:PATH,9600,8N1 | tcp:HOST:PORT | pty:PATH";

// bad_input: what is wrong, and how it is spelled.
[[nodiscard]] Result<Port> parse_port(std::string_view text);
// The same spelling, whole.
[[nodiscard]] std::string port_text(const Port& port);

}  // namespace nightwell::cli
