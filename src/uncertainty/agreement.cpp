#include "uncertainty/agreement.hpp"

#include <cmath>
#include <string>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

Result<double> numerical_tolerance(double standard_uncertainty, int significant_digits) {
  constexpr auto doing = "working out a numerical tolerance";
  if (!(std::isfinite(standard_uncertainty) && standard_uncertainty > 0))
    return bad_input(doing, "the standard uncertainty is " + number(standard_uncertainty) + "; it must be above 0");
  if (significant_digits < 1 || significant_digits > 4)
    return bad_input(doing, std::to_string(significant_digits) + " significant digits are asked; 1 to 4 are possible");
  // The exponent comes from the decimal text, which rounds as a person does: 0.996 has two digits as 1.0, not as 0.99.
  char text[40];
  const auto end = std::to_chars(text, text + sizeof text, standard_uncertainty, std::chars_format::scientific,
                                 significant_digits - 1)
                       .ptr;
  int exponent = 0;
  const std::string_view all(text, static_cast<std::size_t>(end - text));
  const char* from = text + all.find('e') + 1;
  if (*from == '+') ++from;
  std::from_chars(from, end, exponent);
  return 0.5 * std::pow(10.0, exponent - (significant_digits - 1));
}

Result<Agreement> agreement(double gum_estimate, double gum_standard_uncertainty, double gum_expanded_uncertainty,
                            const Interval& monte_carlo, int significant_digits) {
  const auto tolerance = numerical_tolerance(gum_standard_uncertainty, significant_digits);
  if (!tolerance) return tolerance.error();
  Agreement out;
  out.tolerance = *tolerance;
  out.d_low = std::abs(gum_estimate - gum_expanded_uncertainty - monte_carlo.low);
  out.d_high = std::abs(gum_estimate + gum_expanded_uncertainty - monte_carlo.high);
  if (!std::isfinite(out.d_low) || !std::isfinite(out.d_high))
    return bad_input("comparing the GUM's interval with Monte Carlo", "a value is not a finite number");
  out.validated = out.d_low <= out.tolerance && out.d_high <= out.tolerance;
  return out;
}

}  // namespace nightwell::uncertainty
