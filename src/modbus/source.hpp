// Speaks a register map: the codec of a heat source behind Modbus RTU or TCP. The line engine (line_instrument.hpp) does
// the rest, as for every instrument: deadlines and their bounds, late and cut replies, the identity asked twice after
// every odd moment, reconnection, settings sent once, "off" at once, park steps.
//
// What is told apart
//   RTU   unit, function, count and checksum of every reply; a write is answered by its own address and value. Two reads of
//         the same table and count have replies of the same shape: their order tells them apart, and the engine keeps it.
//         A second copy of a reply that comes later than the pause, between the next question and its answer, looks like
//         that answer.
//   TCP   besides, the transaction: each kind of question has a number of its own, so no late reply answers another kind.
//
// A write is proved by reading back (mismatch): the target within half a step of both registers, the output exactly, steps
// by what the map names. On a line that both sides share (RTU), "off" waits for the end of a reply that is awaited.
#pragma once

#include <memory>

#include "dialect/dialect.hpp"
#include "modbus/frame.hpp"
#include "nightwell/instrument/codec.hpp"
#include "nightwell/port.hpp"

namespace nightwell::modbus {

// The silence between two frames of RTU: 3.5 characters of 11 bits, above 19200 baud 1.75 ms ("MODBUS over serial line"
// V1.02, section 2.5.1.1). Zero where the port has no baud rate.
[[nodiscard]] Duration frame_silence(const Port& port);

class ModbusSource final : public instrument::HeatSourceCodec {
 public:
  // A dialect with registers. `silence`: the least pause between a reply and the next request.
  ModbusSource(std::shared_ptr<const dialect::Dialect> dialect, Duration silence);
  [[nodiscard]] instrument::LineSettings line() const override;
  // bad_input: a target that is not finite, beyond 10,000 °C, beyond the dialect's limits, or that the register cannot
  // carry.
  [[nodiscard]] Result<instrument::Message> encode(const instrument::HeatSourceCommand& command) const override;
  // Besides what frame.hpp and registers.hpp say: garbled, a state that is neither on nor off, or an identity that is no
  // text; wrong_identity, a register that must show another value.
  [[nodiscard]] Result<instrument::Answer> decode(std::string_view reply,
                                                  const instrument::HeatSourceCommand& command) const override;
  [[nodiscard]] std::size_t steps(instrument::Steps which) const override;
  [[nodiscard]] std::optional<instrument::Proof<instrument::HeatSourceCommand>> proof(
      const instrument::HeatSourceCommand& command) const override;

 private:
  std::shared_ptr<const dialect::Dialect> dialect_;
  Duration silence_;
};

}  // namespace nightwell::modbus
