// How one kind of instrument speaks, as a value: what a dialect file says (docs/dialects.md), checked and resolved. Made
// by read_dialect.hpp, spoken by codec.hpp.
//
// Indices: a template's parts point into `fields`; a command's `value` and `text` too; steps point into `commands`.
// All are valid in a dialect that the loader returned.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "dialect/register_map.hpp"
#include "nightwell/instrument/codec.hpp"
#include "nightwell/quantity.hpp"
#include "nightwell/time.hpp"

namespace nightwell::dialect {

inline constexpr std::size_t longest_template = 1024;  // bytes
inline constexpr std::size_t most_fields = 64;

// ---- units ----

enum class Unit { celsius, fahrenheit, kelvin, volt, millivolt, microvolt, ohm, kilohm, ampere, milliampere };

[[nodiscard]] Quantity quantity_of(Unit unit);
// To °C, volt, ohm or ampere, and back.
[[nodiscard]] double to_base(double value, Unit unit);
[[nodiscard]] double from_base(double value, Unit unit);
// How much of the base unit one of this unit is: 5/9 for °F.
[[nodiscard]] double step_of(Unit unit);

// ---- fields: what a name in braces stands for ----

// A number as the line writes it; the value is raw * factor + offset, in `unit`.
struct NumberField {
  std::optional<Unit> unit;  // none: a unit field stands in the same template, or the number is a plain one
  double factor = 1, offset = 0;
  bool padded = false;  // blanks may stand before it
  int decimals = -1;    // when we write it; -1: it never stands in a command
  int width = 0;        // when we write it: filled with zeros to so many characters; 0: as long as it is
  bool plus = false;    // when we write it: a sign always
  std::vector<std::pair<std::string, Errc>> no_number;  // "OPEN": open_sensor; longest first
};
struct IntegerField {};  // up to nine digits
struct WordField {};     // letters, digits and + - _ . / #
struct TextField {};     // up to what follows in the template, or the line's end
struct UnitField {
  std::vector<std::pair<std::string, Unit>> words;  // longest first
};
struct StateField {
  std::vector<std::pair<std::string, bool>> words;  // longest first
};
// How an address of the bench is written: by `names`, or as a whole number of at least `digits` digits.
struct ChannelField {
  int lowest = 0, highest = 0, digits = 1;
  std::map<int, std::string> names;
  // nullopt: the instrument has no such channel.
  [[nodiscard]] std::optional<std::string> text(int address) const;
};
using FieldKind = std::variant<NumberField, IntegerField, WordField, TextField, UnitField, StateField, ChannelField>;
struct Field {
  std::string name;
  FieldKind kind;
};

// ---- templates ----

using Part = std::variant<std::string, std::size_t>;  // bytes as they are, or a field
using Template = std::vector<Part>;

// ---- commands ----

enum class CommandKind { query, safe_setting, heat_setting };

// What is asked until it says that a reading which was begun is ready: by its whole reply, one of `is`; or by its number,
// of which the bits in `mask` are `bits`.
struct WhenReady {
  std::size_t query = 0;
  std::vector<std::string> is;  // empty: the number counts
  unsigned mask = 0, bits = 0;
  Duration every{0}, within{0};
};

struct DialectCommand {
  CommandKind kind = CommandKind::query;
  Template send;
  std::optional<Template> reply;  // of several lines: joined by LFs
  instrument::ReplyShape shape;
  Duration within{0};
  std::optional<std::size_t> value, text;  // fields of the reply
  unsigned mask = ~0U;                     // of an error's number: the bits that count
  std::optional<int> read_back_digits;     // set_target: read back within so many units of its last digit
  // read_…: the commands that choose its channel and begin it, right before it; what it then waits for.
  std::optional<std::size_t> choose, begin;
  std::optional<WhenReady> when_ready;
};

struct DialectStep {
  std::size_t command = 0;
  std::optional<double> number;
  std::optional<std::size_t> query;  // proves the step, by answering …
  std::string is;                    // … exactly this
};

enum class ChecksumKind { none, xor_sum, lrc, crc16_modbus };
struct Checksum {
  ChecksumKind kind = ChecksumKind::none;
  std::size_t skip = 0;    // bytes at the start that it does not cover
  std::string mark;        // stands between what it covers and its hexadecimal digits
  bool low_first = false;  // the order of the two bytes of a CRC
};

enum class Role { heat_source, scanner };

struct Dialect {
  std::string name;
  int revision = 0;
  Role role = Role::scanner;
  std::string command_end;
  instrument::LineSettings line;  // all but `set_aside`
  bool decimal_comma = false;
  Checksum checksum;
  std::vector<Field> fields;
  std::vector<Template> refused, set_aside;
  std::map<std::string, std::size_t, std::less<>> names;  // of commands
  std::vector<DialectCommand> commands;
  std::vector<DialectStep> start_up, park;
  std::optional<double> lowest_c, highest_c;  // targets that the instrument takes
  // A heat source behind Modbus registers (src/modbus speaks it): of the above only name, revision, role, limits and the
  // line's gap, quiet time and echo mean something then.
  std::optional<RegisterMap> registers;

  [[nodiscard]] const DialectCommand* find(std::string_view command) const;
};

}  // namespace nightwell::dialect
