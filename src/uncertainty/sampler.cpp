#include "uncertainty/sampler.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

namespace {

constexpr auto preparing = "preparing a Monte Carlo run";

// Arcsine on -1 to 1: x² - y² over x² + y² of a point in the unit circle.
double arcsine(RandomStream& stream) {
  while (true) {
    const double x = stream.symmetric(), y = stream.symmetric();
    const double xx = x * x, yy = y * y, square = xx + yy;
    if (square <= 1) return (xx - yy) / square;
  }
}

// Student's t of scale 1, from a point in the unit circle.
double student(RandomStream& stream, double degrees_of_freedom) {
  while (true) {
    const double x = stream.symmetric(), y = stream.symmetric();
    const double square = x * x + y * y;
    if (square <= 1)
      return x * std::sqrt(degrees_of_freedom * std::expm1(-2 / degrees_of_freedom * std::log(square)) / square);
  }
}

}  // namespace

Result<Sampler> Sampler::of(std::span<const Input> inputs, std::span<const Correlation> correlations) {
  if (inputs.empty()) return bad_input(preparing, "there are no inputs; give at least one");
  for (std::size_t i = 0; i < inputs.size(); ++i)
    if (!std::isfinite(inputs[i].estimate))
      return bad_input(preparing, "the estimate of input " + std::to_string(i) + " is " + number(inputs[i].estimate));
  const auto matrix = CorrelationMatrix::of(inputs.size(), correlations);
  if (!matrix) return matrix.error();

  Sampler out;
  out.inputs_.assign(inputs.begin(), inputs.end());
  std::vector<bool> has_partner(inputs.size());
  for (const auto& [first, second, coefficient] : correlations) {
    if (coefficient == 0) continue;
    for (const std::size_t place : {first, second}) {
      if (inputs[place].distribution.shape() != Shape::normal)
        return bad_input(preparing, "input " + std::to_string(place) + " is " +
                                        name(inputs[place].distribution.shape()) +
                                        "; only normal inputs can be correlated (split off the part that they share)");
      has_partner[place] = true;
    }
  }
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    if (!has_partner[i]) continue;
    out.correlated_.push_back({i, {}});
    for (const auto& before : out.correlated_) out.correlated_.back().row.push_back(matrix->root_at(i, before.input));
  }
  return out;
}

void Sampler::draw(RandomStream& stream, std::span<double> trials) const {
  const std::size_t count = trials.size() / inputs_.size();
  for (std::size_t i = 0; i < inputs_.size(); ++i) draw_input(inputs_[i], stream, trials.data() + i, count);
  if (!correlated_.empty()) correlate(trials);
}

// One loop for each shape, so that the choice stands outside of it. Correlated inputs are drawn as standard normals
// here.
void Sampler::draw_input(const Input& input, RandomStream& stream, double* first, std::size_t trials) const {
  const std::size_t stride = inputs_.size();
  const double* const end = first + trials * stride;
  const auto fill = [&](double centre, double size, auto next) {
    for (double* value = first; value != end; value += stride) *value = centre + size * next();
  };
  const double size = input.distribution.size(), centre = input.estimate;
  switch (input.distribution.shape()) {
    case Shape::normal: {
      const auto place = static_cast<std::size_t>(&input - inputs_.data());
      const bool correlated = std::any_of(correlated_.begin(), correlated_.end(),
                                          [place](const Root& root) { return root.input == place; });
      fill(correlated ? 0 : centre, correlated ? 1 : size, [&] { return normal_.draw(stream); });
      break;
    }
    case Shape::rectangular: fill(centre, size, [&] { return stream.symmetric(); }); break;
    case Shape::triangular: fill(centre, size / 2, [&] { return stream.symmetric() + stream.symmetric(); }); break;
    case Shape::u_shaped: fill(centre, size, [&] { return arcsine(stream); }); break;
    case Shape::t: {
      const double degrees_of_freedom = input.distribution.degrees_of_freedom();
      fill(centre, size, [&] { return student(stream, degrees_of_freedom); });
      break;
    }
  }
}

// From the last correlated input to the first, so that each still finds the standard normals of those before it.
void Sampler::correlate(std::span<double> trials) const {
  for (std::size_t at = 0; at + inputs_.size() <= trials.size(); at += inputs_.size()) {
    double* const trial = trials.data() + at;
    for (auto root = correlated_.rbegin(); root != correlated_.rend(); ++root) {
      double sum = 0;
      for (std::size_t k = 0; k < root->row.size(); ++k) sum += root->row[k] * trial[correlated_[k].input];
      const Input& input = inputs_[root->input];
      trial[root->input] = input.estimate + input.distribution.size() * sum;
    }
  }
}

}  // namespace nightwell::uncertainty
