#include "uncertainty/statistics.hpp"

#include <cmath>

namespace nightwell::uncertainty {

double mean(std::span<const double> values) {
  const double first = values.front();
  double sum = 0;
  for (const double v : values) sum += v - first;
  return first + sum / static_cast<double>(values.size());
}

double sample_standard_deviation(std::span<const double> values) {
  const double middle = mean(values);
  double squares = 0;
  for (const double v : values) squares += (v - middle) * (v - middle);
  return std::sqrt(squares / static_cast<double>(values.size() - 1));
}

double standard_deviation_of_mean(std::span<const double> values) {
  return sample_standard_deviation(values) / std::sqrt(static_cast<double>(values.size()));
}

}  // namespace nightwell::uncertainty
