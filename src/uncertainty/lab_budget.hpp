// What a lab states about the uncertainty of its instruments, sources and sensors: the lines of a budget that no reading of
// the night can show.
//
// Pure values. Amounts are half-widths or standard uncertainties in the unit of the place where they stand: kelvin, or volt,
// ohm and ampere for a scanner's readings. Each names its source, or "common practice, no source".
// Terms: JCGM 100:2008 (GUM) 4.3 for the shapes.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/quantity.hpp"
#include "uncertainty/coverage.hpp"
#include "uncertainty/decision.hpp"
#include "uncertainty/distribution.hpp"

namespace nightwell::uncertainty {

// amount = constant + of_reading x |reading|; each year since the sensor's certificate where `each_year`.
struct Effect {
  std::string name;
  Shape shape = Shape::rectangular;
  double constant = 0;                       // half-width; for a normal shape the standard uncertainty; >= 0
  double of_reading = 0;                     // fraction, >= 0; of the reading in its own unit, or of |t_c|
  std::optional<double> degrees_of_freedom;  // of a normal shape; nothing: infinite
  bool each_year = false;
  std::string source;
  // Of a scanner: one error that all its channels of the quantity share (a gain, an offset), so that it counts once, with the
  // sum of their sensitivities. Then either `constant` or `of_reading` is 0: of a reading it goes with the reading's sign.
  bool common_to_channels = false;
};

using Effects = std::vector<Effect>;

struct LabBudget {
  double coverage = default_coverage;
  DecisionRule rule;
  std::string rule_source;

  std::map<std::string, std::map<Quantity, Effects>> scanners;  // by the bench's name of the scanner
  std::map<std::string, Effects> sources;                       // by the bench's name of the source, K
  Effects references, items, junctions;                         // of each sensor in that role, K
  std::map<Quantity, Effects> items_that_measure;               // more, for items of one kind, K
  std::map<std::string, Effects> sensors;                       // more, by serial number, K
};

}  // namespace nightwell::uncertainty
