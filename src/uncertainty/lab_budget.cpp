#include "uncertainty/lab_budget.hpp"

namespace nightwell::uncertainty {

std::string_view name(Shape shape) {
  switch (shape) {
    case Shape::normal: return "normal";
    case Shape::rectangular: return "rectangular";
    case Shape::triangular: return "triangular";
    case Shape::u_shaped: return "u_shaped";
  }
  return "";
}

std::string_view name(Rule rule) {
  switch (rule) {
    case Rule::simple: return "simple";
    case Rule::guard_band: return "guard_band";
    case Rule::largest_risk: return "largest_risk";
  }
  return "";
}

}  // namespace nightwell::uncertainty
