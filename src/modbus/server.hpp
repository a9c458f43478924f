// The server's side of Modbus, as a value: registers in maps, frames in, frames out. What stands behind a mirror of a register
// map (src/conformance), and behind tests. Written by hand from the standards that frame.hpp names; it shares no code with
// libmodbus, which makes and judges the client's frames, so a mistake of either shows at the other. The checksum is our own
// (dialect/checksum.hpp, checked against published values).
//
// Functions 1 to 6 and 16. Exceptions, by the state diagrams of the application protocol, chapter 6: 1 another function, 3 a
// count or value that cannot be, 2 an address that is in no map. Pure; never fails.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <string>
#include <string_view>

#include "modbus/frame.hpp"

namespace nightwell::modbus {

struct Server {
  Server(dialect::Framing its_framing, int its_unit) : framing(its_framing), unit(its_unit) {}

  // Takes the whole frames off the front of `received` and gives their replies. A real device finds where a frame begins by the
  // silence before it (RTU); here bytes that begin no sound frame for this unit are dropped one by one. So on RTU a function
  // that is unknown, whose length nobody can tell, gets no reply.
  std::string hear(std::string& received);
  // The reply to one whole frame; empty: it is for another unit, or damaged.
  std::string answer(std::string_view frame);
  // A frame around function and data, as a server sends it.
  [[nodiscard]] std::string framed(const std::string& data, unsigned transaction, int from_unit) const;

  dialect::Framing framing;
  int unit;
  std::map<int, std::uint16_t> input, holding;
  std::map<int, bool> coils, discrete;
  // Asked before a request is carried out: the exception to answer instead; 0: none.
  std::function<int(const Request&)> refuses;
  // What the device does by itself behind a write that was carried out.
  std::function<void(Server&, const WriteRequest&)> written;
  long reads = 0, writes = 0;  // carried out
  long requests = 0;           // heard, sound and for this unit

 private:
  std::string carry_out(const std::string& data);
  std::string read(const ReadRequest& request, const std::string& data);
  std::string write(const WriteRequest& request, const std::string& data);
};

}  // namespace nightwell::modbus
