// Registers to temperatures and back. Pure.
//
// Shape: words as they stand in the registers, one after another, as many as the number's type has. Units: °C outside,
// the map's unit inside: value = raw * factor + offset. A float32 is IEEE 754 binary32.
#pragma once

#include <cstdint>
#include <vector>

#include "dialect/dialect.hpp"
#include "nightwell/result.hpp"

namespace nightwell::modbus {

// open_sensor, overload: the raw value says so; a float32 that is NaN is no sensor, one beyond 1e30 or infinite an
// overload. out_of_range: below absolute zero. `words` has registers_of(number.type) elements.
[[nodiscard]] Result<double> temperature_in(const std::vector<std::uint16_t>& words,
                                            const dialect::RegisterNumber& number);
// Rounded to the nearest that the registers can hold. bad_input: not finite, or beyond what the type carries.
[[nodiscard]] Result<std::vector<std::uint16_t>> words_for(double t_c, const dialect::RegisterNumber& number);
// How far two neighbouring values lie apart, in kelvin, near t_c.
[[nodiscard]] double resolution_k(double t_c, const dialect::RegisterNumber& number);

}  // namespace nightwell::modbus
