// The values that pass between an instrument and the rest of the house: who it is, which channel, what it
// read.
#pragma once

#include <string>
#include <vector>

#include "nightwell/quantity.hpp"

namespace nightwell::instrument {

struct Identity {
  std::string text;  // the instrument's own words, untrusted
  // What stood in its error queue before we came, oldest first, at most 64; untrusted. Filled by identify()
  // only.
  std::vector<std::string> old_errors{};
};

struct ChannelSetup {
  int address = 0;  // the scanner's own number: 101
  Quantity measures = Quantity::resistance;
};

struct Reading {
  double value = 0;  // volt, ohm, ampere or °C; always finite
  std::string text;  // the instrument's own text of the reply, untrusted
  bool odd = false;  // the text was unusual (extra terminators, a repeat after a late reply): keep it
};

}  // namespace nightwell::instrument
