// The server's side of Modbus for tests, by hand: registers in maps, frames in, frames out. It shares no code with
// libmodbus; the checksum is our own (dialect/checksum.hpp, checked against published values).
#pragma once

#include <cstdint>
#include <map>
#include <string>

#include "dialect/register_map.hpp"

namespace nightwell::modbus::test {

struct RegisterServer {
  explicit RegisterServer(dialect::Framing its_framing) : framing(its_framing) {}

  // The reply's frame; empty: it is for another unit, or damaged.
  std::string answer(const std::string& request);
  // A frame around function and data, as this server sends them.
  [[nodiscard]] std::string framed(const std::string& data, unsigned transaction, int from_unit) const;

  dialect::Framing framing;
  int unit = 17;
  std::map<int, std::uint16_t> input, holding;
  std::map<int, bool> coils, discrete;
  int exception = 0;              // answered to everything while it is not 0
  long reads = 0, writes = 0;     // carried out
  long requests = 0;              // heard, sound and for this unit
  int highest_setpoint = 65'535;  // what is written to a holding register beyond it is cut to it

 private:
  std::string carry_out(const std::string& data);
  std::string read(const std::string& data);
};

// The furnace that the shipped dialect register-furnace describes, as it comes up; temperature 20.5 °C, serial number 7.
[[nodiscard]] RegisterServer furnace(dialect::Framing framing);
// Its output on or off, a register and a bit: what a real device does by itself.
void follow_output(RegisterServer& server);
// The shipped dialect, for either framing.
[[nodiscard]] std::string furnace_dialect(dialect::Framing framing);

}  // namespace nightwell::modbus::test
