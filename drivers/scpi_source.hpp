// A heat source that speaks plain SCPI.
//
// Commands used, all of them: *IDN?  *CLS  SYSTem:ERRor?  SOURce:TEMPerature:SPOint <°C>
// SOURce:TEMPerature:SPOint? OUTPut:STATe ON|OFF  OUTPut:STATe?  MEASure:TEMPerature? Source: IEEE 488.2-1992
// and SCPI-1999 (SOURce:TEMPerature, OUTPut, MEASure, SYSTem:ERRor), from memory of the standards.
// Temperatures in °C; below -273.15 °C is out_of_range.
#pragma once

#include "nightwell/instrument/codec.hpp"

namespace nightwell::drivers {

class ScpiSource : public instrument::HeatSourceCodec {
 public:
  [[nodiscard]] instrument::LineSettings line() const override;
  // bad_input: a target that is not finite or beyond 10,000 °C. Limits of the bench are not the driver's
  // business.
  [[nodiscard]] Result<instrument::Message> encode(const instrument::HeatSourceCommand& command) const override;
  [[nodiscard]] Result<instrument::Answer> decode(std::string_view reply,
                                                  const instrument::HeatSourceCommand& command) const override;
};

}  // namespace nightwell::drivers
