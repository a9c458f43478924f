// The manner in which a simulated instrument speaks: what stands between its line and the SCPI that it is made of.
//
// scpi    as it is.
// terse   a heat source: single letters, CR, every line with "*" and an exclusive or in two hexadecimal digits, every
//         setting answered by A, or by N and a reason (1 checksum, 2 will not, 3 not in remote control, 4 unknown).
// modbus  a heat source: modbus_manner.hpp.
// chatty  a scanner: whole words, echo, prompt, decimal comma, units behind numbers, a remark after every tenth command.
// polled  a scanner: a reading is begun, asked after until it is ready, and fetched. It is measured when it is begun, and takes
//         its reading time while every line is answered at once:
//           take ohm 101   taking 101              volt, ohm, amp or temp; what it was measuring is forgotten
//           state?         state 2                 bit 0: a reading is ready; bit 1: it measures
//           value?         101 +1.07e+02 ohm       V, ohm, A or C; OPEN or OVER for the number
//           id?            id IDENTITY
//         "no: " and a reason where it cannot, or nothing is ready.
//
// The manners are ours, invented for the shipped dialects (drivers/dialects). Nothing here knows those files.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <string_view>

namespace nightwell::sim {

class Manner {
 public:
  virtual ~Manner() = default;
  [[nodiscard]] virtual char message_end() const { return '\n'; }
  // The SCPI message that does what the line asks at that simulated time; empty: nothing to do.
  virtual std::string understood(const std::string& line, double now_s) = 0;
  // Everything that goes back for a line, ends included, from the SCPI reply to understood(); empty: nothing.
  virtual std::string said(const std::string& line, const std::string& reply) = 0;
  virtual void power_on() {}
  // What stands in said() for the echo of a line, and for the prompt; empty: it has none.
  [[nodiscard]] virtual std::string line_echo(const std::string&) const { return ""; }
  [[nodiscard]] virtual std::string line_prompt() const { return ""; }
  // Of frames instead of lines: the first whole one is taken out of what was received, and what belongs to none is dropped.
  [[nodiscard]] virtual bool is_binary() const { return false; }
  virtual std::optional<std::string> take_frame(std::string&) { return std::nullopt; }
  // The reply that refuses a message by a code of its protocol; empty: it has no codes.
  virtual std::string refused(const std::string&, int) { return ""; }
};

// "scpi", "terse", "chatty" or "polled"; nullptr for another word. `reading_s`: what a reading of a polled one takes.
[[nodiscard]] std::unique_ptr<Manner> make_manner(std::string_view word, double reading_s = 0);

}  // namespace nightwell::sim
