#include "sequence/survey.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

namespace nightwell::sequence {

namespace {

constexpr double wrong_type_factor = 10;

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

std::string two_decimals(double value) {
  char text[48];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, 2).ptr};
}

SurveyFinding silent(std::size_t channel, const std::vector<ReadingFault>& faults) {
  if (faults.empty()) return {channel, "open", "never read"};
  const auto beyond = std::find_if(faults.begin(), faults.end(), [](const ReadingFault& f) {
    return f.code == Errc::out_of_range || f.code == Errc::ambiguous;
  });
  if (beyond != faults.end()) return {channel, "wrong_type", beyond->text};
  return {channel, "open", faults.back().text};
}

}  // namespace

std::vector<SurveyFinding> survey_findings(const Plan& plan, const std::vector<std::vector<double>>& read_c,
                                           const std::vector<std::vector<ReadingFault>>& faults) {
  std::vector<double> medians;
  for (const auto& values : read_c)
    if (!values.empty()) medians.push_back(median(values));
  const double middle_c = medians.size() >= 3 ? median(medians) : plan.survey->expected_c;

  std::vector<SurveyFinding> findings;
  for (std::size_t channel = 0; channel < plan.channels.size(); ++channel) {
    if (read_c[channel].empty()) {
      findings.push_back(silent(channel, faults[channel]));
      continue;
    }
    const double t_c = median(read_c[channel]);
    const double off_k = std::abs(t_c - middle_c);
    if (off_k <= plan.survey->outlier_k) continue;
    const bool far = off_k > wrong_type_factor * plan.survey->outlier_k;
    findings.push_back({channel, far ? "wrong_type" : "outlier",
                        two_decimals(t_c) + " °C, the others " + two_decimals(middle_c) + " °C, allowed " +
                            two_decimals(plan.survey->outlier_k) + " K"});
  }
  return findings;
}

}  // namespace nightwell::sequence
