// What is said of a fit, in text and on the page. Pure; no errors. Text from outside stands in it as it is.
#pragma once

#include <string>
#include <vector>

#include "thermometry/fit_sensor.hpp"

namespace nightwell::report {

// Standard uncertainties: from the points' own, and from the residuals ("-" where there is no degree of freedom left).
struct CoefficientWords {
  std::string name;  // with its unit: "A, 1/°C"
  std::string value, uncertainty, by_residuals;
};
// A coefficient that was not fitted is "held".
[[nodiscard]] std::vector<CoefficientWords> coefficient_words(const thermometry::SensorFit& fit);

// "degrees of freedom 3; residuals 0.43 times what scatter and drift explain; left out, rms 0.43 mK"
[[nodiscard]] std::string fit_summary(const thermometry::SensorFit& fit);

// What warns of using it, a sentence each.
[[nodiscard]] std::vector<std::string> fit_warnings(const thermometry::SensorFit& fit);

}  // namespace nightwell::report
