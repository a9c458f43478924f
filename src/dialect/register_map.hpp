// A heat source behind Modbus registers, as a value: what the `modbus` object of a dialect file says (docs/dialects.md),
// checked and resolved. Made by read_register_map.hpp, spoken by src/modbus.
//
// Names and function codes: "MODBUS application protocol specification" V1.1b3. Addresses are those of the protocol, from
// 0; a manual that prints 40001 or counts from 1 means one less. A register is 16 bits, its high byte first; of two
// registers the dialect says which word comes first.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::dialect {

enum class Unit;  // dialect.hpp

enum class Framing { rtu, tcp };
enum class Table { coil, discrete, input, holding };

struct RegisterAddress {
  Table table = Table::holding;
  int address = 0;  // 0..65535

  friend bool operator==(const RegisterAddress&, const RegisterAddress&) = default;
};

enum class NumberType { int16, uint16, int32, uint32, float32 };

[[nodiscard]] constexpr int registers_of(NumberType type) {
  return type == NumberType::int16 || type == NumberType::uint16 ? 1 : 2;
}

// A temperature; its value is raw * factor + offset, in `unit`.
struct RegisterNumber {
  RegisterAddress at;
  NumberType type = NumberType::int16;
  bool low_word_first = false;
  double factor = 1, offset = 0;
  Unit unit{};
  std::vector<std::pair<std::int64_t, Errc>> no_number;  // raw values that stand for none
};

// A state; of a register the bits of `mask` count, of a coil or discrete input there is one.
struct RegisterState {
  RegisterAddress at;
  unsigned mask = 0xFFFF;
  std::vector<int> on, off;
};

// How a register is written: alone (function 6; a coil: 5) or as one of several (function 16).
enum class WriteFunction { single, multiple };

struct NumberSetting {
  RegisterNumber number;  // in the holding registers
  WriteFunction function = WriteFunction::single;
};

struct StateSetting {
  RegisterAddress at;  // a coil or a holding register
  int on = 1, off = 0;
  WriteFunction function = WriteFunction::single;
};

// What proves who answers: text, two characters a register, or numbers, some of which it must show.
struct NamedRegister {
  std::string name;
  std::optional<int> is;
};
struct RegisterIdentity {
  RegisterAddress at;  // an input or holding register, the first of them
  int count = 1;
  std::vector<NamedRegister> numbers;  // empty: text
};

// A register is written, and the step is proved where the bits of `mask` at `proof` show `shown`.
struct RegisterStep {
  RegisterAddress at;
  int value = 0;
  WriteFunction function = WriteFunction::single;
  RegisterAddress proof;
  unsigned mask = 0xFFFF;
  int shown = 0;
};

struct RegisterMap {
  Framing framing = Framing::rtu;
  int unit = 1;
  RegisterIdentity identity;
  RegisterNumber temperature, target;
  NumberSetting set_target;
  RegisterState output;
  StateSetting set_output;
  std::vector<RegisterStep> start_up, park;
};

}  // namespace nightwell::dialect
