// Draws from distributions for the Monte Carlo method: many trials at a time, each input from its own distribution.
//
// Sources of the methods: rectangular, triangular (sum of two rectangular), JCGM 101:2008 6.4.2.4, 6.4.5.4, annex C;
// arcsine: the cosine of twice a random direction's angle; t: Bailey, Math. Comp. 62 (1994) 779 (from memory; the
// tests check the distribution).
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "nightwell/result.hpp"
#include "uncertainty/correlation.hpp"
#include "uncertainty/distribution.hpp"
#include "uncertainty/random_stream.hpp"

namespace nightwell::uncertainty {

// One input of a model: an estimate and what is known about it, both in the input's unit.
struct Input {
  double estimate = 0;
  Distribution distribution;
};

class Sampler {
 public:
  // Correlations only between normal inputs (JCGM 101 6.4.8). Errors: bad_input (no inputs, an estimate that is not
  // finite, a correlation of another shape, correlations that cannot hold together).
  static Result<Sampler> of(std::span<const Input> inputs, std::span<const Correlation> correlations = {});

  [[nodiscard]] std::size_t inputs() const { return inputs_.size(); }
  // Fills `trials` with whole trials, one after the other: inputs() values each, in the order of the inputs.
  void draw(RandomStream& stream, std::span<double> trials) const;

 private:
  void draw_input(const Input& input, RandomStream& stream, double* first, std::size_t trials) const;
  void correlate(std::span<double> trials) const;

  struct Root {
    std::size_t input = 0;
    std::vector<double> row;  // over the correlated inputs up to this one
  };

  std::vector<Input> inputs_;
  std::vector<Root> correlated_;
  NormalSource normal_;
};

}  // namespace nightwell::uncertainty
