#include "uncertainty/coverage.hpp"

#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

namespace {

namespace policies = boost::math::policies;
// The arguments are checked before; what is left is a quantile too large for a double, which becomes infinite.
using Quiet =
    policies::policy<policies::domain_error<policies::ignore_error>, policies::pole_error<policies::ignore_error>,
                     policies::overflow_error<policies::ignore_error>,
                     policies::evaluation_error<policies::ignore_error>, policies::promote_double<false>>;

Result<void> check_probability(const char* doing, double probability) {
  if (probability > 0 && probability < 1) return {};
  return bad_input(doing, "the probability is " + number(probability) + "; it must lie between 0 and 1");
}

double upper_normal(double tail) {
  return boost::math::quantile(boost::math::complement(boost::math::normal_distribution<double, Quiet>(), tail));
}

double upper_t(double tail, double degrees_of_freedom) {
  if (std::isinf(degrees_of_freedom)) return upper_normal(tail);
  const boost::math::students_t_distribution<double, Quiet> t(degrees_of_freedom);
  return boost::math::quantile(boost::math::complement(t, tail));
}

}  // namespace

double truncated(double degrees_of_freedom, Truncation truncation) {
  if (truncation == Truncation::none || std::isinf(degrees_of_freedom)) return degrees_of_freedom;
  return std::floor(degrees_of_freedom * (1 + 1e-9));
}

Result<double> coverage_factor(double coverage, double degrees_of_freedom, Truncation truncation) {
  constexpr auto doing = "working out a coverage factor";
  if (const auto ok = check_coverage(doing, coverage); !ok) return ok.error();
  if (const auto ok = check_degrees_of_freedom(doing, degrees_of_freedom); !ok) return ok.error();
  return upper_t((1 - coverage) / 2, truncated(degrees_of_freedom, truncation));
}

double normal_cdf(double x) {
  return std::erfc(-x / std::sqrt(2.0)) / 2;
}

Result<double> normal_quantile(double probability) {
  if (const auto ok = check_probability("working out a normal quantile", probability); !ok) return ok.error();
  return boost::math::quantile(boost::math::normal_distribution<double, Quiet>(), probability);
}

Result<double> t_quantile(double probability, double degrees_of_freedom) {
  constexpr auto doing = "working out a t quantile";
  if (const auto ok = check_probability(doing, probability); !ok) return ok.error();
  if (const auto ok = check_degrees_of_freedom(doing, degrees_of_freedom); !ok) return ok.error();
  return probability > 0.5 ? upper_t(1 - probability, degrees_of_freedom) : -upper_t(probability, degrees_of_freedom);
}

}  // namespace nightwell::uncertainty
