// A scanner that speaks plain SCPI: one MEASure? query a reading, channel list (@101).
//
// Commands used, all of them: *IDN?  *CLS  SYSTem:ERRor?  MEASure:VOLTage:DC? (@n)  MEASure:FRESistance? (@n)
// MEASure:CURRent:DC? (@n)  MEASure:TEMPerature? (@n).
// Source: IEEE 488.2-1992 and SCPI-1999 (MEASure subsystem, channel lists, SYSTem:ERRor), from memory of the
// standards; the instrument's own choices (4-wire resistance, its default range) are those that MEASure
// makes. Units of the answers: volt, ohm, ampere, °C. A temperature below -273.15 °C is out_of_range.
#pragma once

#include "nightwell/instrument/codec.hpp"

namespace nightwell::drivers {

class ScpiScanner : public instrument::ScannerCodec {
 public:
  [[nodiscard]] instrument::LineSettings line() const override;
  // bad_input: an address outside 1..9999.
  [[nodiscard]] Result<instrument::Message> encode(const instrument::ScannerCommand& command) const override;
  [[nodiscard]] Result<instrument::Answer> decode(std::string_view reply,
                                                  const instrument::ScannerCommand& command) const override;
};

}  // namespace nightwell::drivers
