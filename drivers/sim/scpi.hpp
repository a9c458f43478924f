// The instrument's side of SCPI: takes a program message apart, matches headers, reads parameters, keeps the
// status registers and the error queue. No ports, no clock, no knowledge of what an instrument does.
//
// Sources: IEEE 488.2-1992 (program messages, common commands, status byte, event status register) and
// SCPI-1999 volume 1 (headers and the path rule 6.2.4, channel lists 8.3.2) and volume 2 chapter 21.8 (error
// numbers and texts, written down from memory of the standard).
//
// Shape: bytes are 7-bit ASCII; a message is one line without its terminator and has at most `longest_line`
// bytes. Errors: nothing here fails with a Result. What a client did wrong is a SCPI error number, as on the
// wire.
#pragma once

#include <cstddef>
#include <deque>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace nightwell::sim::scpi {

inline constexpr std::size_t longest_line = 4096;
inline constexpr std::size_t queue_length = 20;

// 7.2 of SCPI-1999 volume 1: the numbers that stand for "no number".
inline constexpr double infinity = 9.9e37;
inline constexpr double not_a_number = 9.91e37;

enum class Code : int {
  none = 0,
  invalid_character = -101,
  syntax = -102,
  data_type = -104,
  parameter_not_allowed = -108,
  missing_parameter = -109,
  mnemonic_too_long = -112,
  undefined_header = -113,
  numeric_data = -120,
  exponent_too_large = -123,
  invalid_suffix = -131,
  invalid_expression = -171,
  execution = -200,
  settings_conflict = -221,
  out_of_range = -222,
  too_much_data = -223,
  illegal_parameter = -224,
  queue_overflow = -350,
  input_overrun = -363,
};

// The standard's text: "Undefined header".
[[nodiscard]] std::string_view text(Code code);

// ---- program messages
// -----------------------------------------------------------------------------------------

// One program message unit: "MEAS:VOLT? (@101)" is nodes {MEAS, VOLT}, a query, parameters {"(@101)"}.
struct Unit {
  std::vector<std::string> nodes;  // upper case, without colons; a common command is one node, "*IDN"
  bool absolute = false;           // it began with a colon
  bool query = false;
  std::vector<std::string> parameters;  // surrounding blanks gone, otherwise as received
  [[nodiscard]] bool common() const { return !nodes.empty() && nodes.front().front() == '*'; }
};

// The units of a line in their order. Where a unit cannot be read, its error stands last and what follows it
// is dropped, as the standard has it. An empty line has no units.
[[nodiscard]] std::vector<std::variant<Unit, Code>> parse(std::string_view line);

// Joins a relative header to the path that the unit before it left behind (6.2.4: all its nodes but the
// last).
[[nodiscard]] std::vector<std::string> resolve(const Unit& unit, const std::vector<std::string>& path);

// A header as manuals print it: "MEASure:VOLTage[:DC]?"; upper-case letters are the short form, brackets
// enclose nodes that may be left out.
class Header {
 public:
  explicit Header(std::string_view pattern);
  [[nodiscard]] bool matches(const std::vector<std::string>& nodes, bool query) const;

 private:
  struct Node {
    std::string short_form, long_form;  // upper case
    bool optional = false;
  };
  [[nodiscard]] bool matches_from(std::size_t node, const std::vector<std::string>& nodes, std::size_t at) const;
  std::vector<Node> nodes_;
  bool query_ = false;
};

// ---- parameters
// -----------------------------------------------------------------------------------------------

// NRf: "25", "+25.0", "2.5E1", ".5". Suffixes are refused with invalid_suffix.
[[nodiscard]] std::variant<double, Code> number(std::string_view parameter);
// ON, OFF or a number that is rounded: 0 is off (SCPI-1999 volume 1, 7.3).
[[nodiscard]] std::variant<bool, Code> boolean(std::string_view parameter);
// "(@101)", "(@101:103,105)"; a range may run backwards. At most 1000 channels.
[[nodiscard]] std::variant<std::vector<int>, Code> channel_list(std::string_view parameter);
// Whether a parameter is the given character data, short or long form: is_word("min", "MINimum").
[[nodiscard]] bool is_word(std::string_view parameter, std::string_view pattern);

// NR3 with nine digits: "+1.09735000E+02". Shortest form of the two special numbers: "+9.90000000E+37".
[[nodiscard]] std::string format(double value);

// ---- status
// ---------------------------------------------------------------------------------------------------

class Status {
 public:
  // Puts an error in the queue and sets its bit of the event status register. A full queue keeps its oldest
  // entries; the newest becomes -350.
  void raise(Code code);
  [[nodiscard]] std::string next_error();  // `-113,"Undefined header"`, or `0,"No error"`
  void clear();                            // *CLS
  void operation_complete() { event_ |= 1; }
  void power_on();                 // queue and enables empty, the power-on bit set
  [[nodiscard]] int take_event();  // *ESR? clears what it reads
  [[nodiscard]] int byte() const;  // *STB?: bit 2 error queue, bit 5 event summary, bit 6 master summary

  int event_enable = 0;
  int request_enable = 0;

 private:
  std::deque<Code> queue_;
  int event_ = 128;
};

}  // namespace nightwell::sim::scpi
