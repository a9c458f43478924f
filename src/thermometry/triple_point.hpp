// A standard thermometer in a triple-point-of-water cell: is it still the one on its card?
//
// The difference is what R at the triple point has moved since the certificate, as a temperature at 0.01 °C: positive where
// the resistance rose. It holds the two uncertainties as independent; a bridge or resistor that both measurements share
// makes u_mk too large, never too small. What difference is still good is for the laboratory to say; the card's ratios W
// allow for a changed R at the triple point, once it is measured.
// Errors: bad_input (a resistance not above 0, a negative uncertainty, not a number).
// Source: ITS-90 (dWr/dT at 0.01 °C from its reference function).
#pragma once

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

// ohm, and its standard uncertainty (k = 1); corrected for self-heating and immersion depth if such corrections are made.
struct MeasuredResistance {
  double r_ohm = 0, u_ohm = 0;
};

struct TriplePointCheck {
  double difference_mk = 0;  // measured minus card
  double u_mk = 0;           // its standard uncertainty
};

[[nodiscard]] Result<TriplePointCheck> triple_point_check(const Sprt& card, double u_card_ohm,
                                                          const MeasuredResistance& measured);

}  // namespace nightwell::thermometry
