// Modbus frames, made and judged by libmodbus: a request as bytes, and what a reply says to it.
//
// libmodbus knows only blocking conversations. Here it has one with a pair of sockets inside this process: the reply,
// whole, and the end of the stream stand in its socket before it is called, so it never waits, and what it "sent" is read
// from the other end. Real lines, time, late replies and reconnection belong to the line engine (src/instrument), as for
// every other instrument. Why so: docs/decisions/0017-modbus.md.
//
// Source of names, function codes and exception codes: "MODBUS application protocol specification" V1.1b3; of the RTU
// frame: "MODBUS over serial line" V1.02; of the TCP header: "MODBUS messaging on TCP/IP" V1.0b.
//
// Errors of both calls: unexpected (the system has no sockets left, or libmodbus refuses a request that the dialect's
// loader should have refused). Thread: any; nothing is shared.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "dialect/register_map.hpp"
#include "nightwell/result.hpp"

namespace nightwell::modbus {

struct Peer {
  dialect::Framing framing = dialect::Framing::rtu;
  int unit = 1;
};

// Registers, or bits, one after another: function 1, 2, 3 or 4, by the table.
struct ReadRequest {
  dialect::RegisterAddress first;
  int count = 1;  // 1..125
};
// Function 6 or 16; of a coil one value, 0 or 1, by function 5.
struct WriteRequest {
  dialect::RegisterAddress first;
  std::vector<std::uint16_t> values;  // 1..123; `single`: one
  dialect::WriteFunction function = dialect::WriteFunction::single;
};
using Request = std::variant<ReadRequest, WriteRequest>;

// The request's frame. `transaction` stands in the header of TCP; RTU has none.
[[nodiscard]] Result<std::string> request_frame(const Peer& peer, std::uint16_t transaction, const Request& request);

// What a reply's whole frame says: the values read, or nothing after a write.
//   garbled    another unit, transaction, function, address or count than asked, a wrong checksum, an unknown exception
//   refused    an exception of the device, with its name; no_answer: a gateway says that the device did not answer
[[nodiscard]] Result<std::vector<std::uint16_t>> reply_values(const Peer& peer, std::uint16_t transaction,
                                                              const Request& request, std::string_view frame);

// How long the reply is that begins so: 0: more bytes are needed to tell; `no_reply`: no reply begins so.
inline constexpr std::size_t longest_frame = 260;
inline constexpr std::size_t no_reply = longest_frame + 1;
[[nodiscard]] std::size_t rtu_reply_length(std::string_view received);
[[nodiscard]] std::size_t tcp_reply_length(std::string_view received);

}  // namespace nightwell::modbus
