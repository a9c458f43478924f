#include "report/fit_words.hpp"

#include <cmath>
#include <cstdio>

#include "report/numbers.hpp"

namespace nightwell::report {

namespace {

// Above this the residuals are no longer scatter. Common practice, no source.
constexpr double largest_sound_scale = 3;

std::string superscript(std::size_t power) {
  constexpr const char* digits[] = {"⁰", "¹", "²", "³", "⁴", "⁵", "⁶", "⁷", "⁸", "⁹"};
  std::string out;
  for (const char digit : std::to_string(power)) out += digits[digit - '0'];
  return out;
}

struct CoefficientNames {
  const thermometry::SensorFit& fit;

  std::vector<std::string> operator()(const thermometry::Thermocouple& model) const {
    std::vector<std::string> out;
    for (std::size_t i = 0; i < model.deviation_uv.size(); ++i)
      out.push_back("c" + std::to_string(i) + (i == 0 ? ", µV" : ", µV/°C" + (i == 1 ? "" : superscript(i))));
    return out;
  }
  std::vector<std::string> operator()(const thermometry::Platinum&) const {
    return {"R0, ohm", "A, 1/°C", "B, 1/°C²", "C, 1/°C⁴"};
  }
  std::vector<std::string> operator()(const thermometry::Sprt&) const {
    std::vector<std::string> out{"R at 0.01 °C, ohm"};
    for (std::size_t i = 1; i < fit.coefficients.size(); ++i) out.push_back("deviation " + std::to_string(i));
    return out;
  }
  std::vector<std::string> operator()(const thermometry::Thermistor&) const { return {"a", "b", "c"}; }
  std::vector<std::string> operator()(const thermometry::ThermistorPolynomial& model) const {
    std::vector<std::string> out;
    for (std::size_t i = 0; i < model.coefficients.size(); ++i) out.push_back("a" + std::to_string(i));
    return out;
  }
  std::vector<std::string> operator()(const auto&) const { return {}; }
};

std::string significant(double value, int count) {
  char text[40];
  std::snprintf(text, sizeof text, "%.*g", count, value);
  return text;
}

// Two digits, without an exponent.
std::string times(double scale) {
  return scale < 100 ? significant(scale, 2) : fixed(scale, 0);
}

std::string uncertainty_of(const thermometry::SquareMatrix& covariance, std::size_t i) {
  const double variance = i < covariance.size ? covariance.at(i, i) : 0;
  return variance > 0 ? significant(std::sqrt(variance), 3) : "held";
}

}  // namespace

std::vector<CoefficientWords> coefficient_words(const thermometry::SensorFit& fit) {
  const auto names = std::visit(CoefficientNames{fit}, fit.model);
  std::vector<CoefficientWords> out;
  for (std::size_t i = 0; i < fit.coefficients.size(); ++i)
    out.push_back({i < names.size() ? names[i] : "", significant(fit.coefficients[i], 10),
                   uncertainty_of(fit.covariance, i),
                   fit.covariance_by_residuals ? uncertainty_of(*fit.covariance_by_residuals, i) : "-"});
  return out;
}

std::string fit_summary(const thermometry::SensorFit& fit) {
  return "degrees of freedom " + std::to_string(fit.degrees_of_freedom) + "; residuals " +
         (fit.residual_scale ? times(*fit.residual_scale) + " times what scatter and drift explain" : "none left") +
         "; left out, rms " + (fit.leave_one_out_rms_k ? fixed(*fit.leave_one_out_rms_k * 1000, 2) + " mK" : "-");
}

std::vector<std::string> fit_warnings(const thermometry::SensorFit& fit) {
  std::vector<std::string> out;
  if (fit.residual_scale.value_or(0) > largest_sound_scale)
    out.push_back(
        "The residuals are far larger than scatter and drift explain: this curve does not describe this sensor.");
  for (const auto& warning : fit.warnings) out.push_back(warning.text);
  return out;
}

}  // namespace nightwell::report
