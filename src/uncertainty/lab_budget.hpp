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
#include <string_view>
#include <vector>

#include "nightwell/quantity.hpp"

namespace nightwell::uncertainty {

enum class Shape { normal, rectangular, triangular, u_shaped };

// amount = constant + of_reading x |reading|; each year since the sensor's certificate where `each_year`.
struct Effect {
  std::string name;
  Shape shape = Shape::rectangular;
  double constant = 0;                       // half-width; for a normal shape the standard uncertainty; >= 0
  double of_reading = 0;                     // fraction, >= 0; of the reading in its own unit, or of |t_c|
  std::optional<double> degrees_of_freedom;  // of a normal shape; nothing: infinite
  bool each_year = false;
  std::string source;
};

using Effects = std::vector<Effect>;

enum class Rule { simple, guard_band, largest_risk };

struct LabBudget {
  double coverage = 0.9545;
  Rule rule = Rule::guard_band;
  double largest_risk = 0.025;  // of a false acceptance; for Rule::largest_risk
  std::string rule_source;

  std::map<std::string, std::map<Quantity, Effects>> scanners;  // by the bench's name of the scanner
  std::map<std::string, Effects> sources;                       // by the bench's name of the source, K
  Effects references, items, junctions;                         // of each sensor in that role, K
  std::map<Quantity, Effects> items_that_measure;               // more, for items of one kind, K
  std::map<std::string, Effects> sensors;                       // more, by serial number, K
};

// The words of budget files and journals.
[[nodiscard]] std::string_view name(Shape shape);
[[nodiscard]] std::string_view name(Rule rule);

}  // namespace nightwell::uncertainty
