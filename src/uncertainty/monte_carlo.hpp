// Propagation of distributions by the Monte Carlo method: JCGM 101:2008 clause 7.
//
// The model is y = f(x_1 … x_N), any callable double(std::span<const double>), inputs in the order given, each in its
// own unit; everything that comes back is in the unit of y. The model must be a pure function: trials are run in no
// promised order.
//
// Trials come in blocks of max(10^4, 100/(1 - p)) (7.9.4, step b), each block from its own stream of random numbers
// (seed, block). So the same seed, coverage, inputs and model give the same bits, however blocks are shared among
// threads; on another machine the last digits may differ, as far as its C library's exp and log do.
//
// Adaptive (7.9): blocks are added until twice the standard deviation of the blocks' means, of their standard
// deviations and of both ends of their symmetric intervals are each below the numerical tolerance of u. most_trials
// ends it in any case; `stable` then says whether the wanted digits were reached: a result that is not stable is a
// result with fewer digits, not an error.
//
// Errors: bad_input (options, inputs or correlations that cannot be); out_of_range (the model gave something that is
// not a finite number; says for which trial).
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "nightwell/result.hpp"
#include "uncertainty/coverage.hpp"
#include "uncertainty/coverage_interval.hpp"
#include "uncertainty/sampler.hpp"

namespace nightwell::uncertainty {

struct MonteCarloOptions {
  std::uint64_t seed = 1;
  double coverage = default_coverage;         // above 0, at most 0.9999
  std::optional<int> significant_digits = 2;  // of u, 1 to 4; none: no adaptive stop, exactly most_trials
  std::size_t most_trials = 1'000'000;        // up to 50 million (8 bytes each); rounded up to whole blocks
  // The run is to validate a GUM result: the numerical tolerance is a fifth of what the digits say (8.2; from memory).
  bool for_validation = false;
};

struct MonteCarloResult {
  double mean = 0;
  double standard_uncertainty = 0;
  double coverage_probability = 0;
  Interval symmetric;  // 7.7.2
  Interval shortest;   // 5.3.4, 7.7.4
  std::size_t trials = 0;
  bool stable = false;  // the wanted digits were reached; false where none were wanted
};

// A model over a chunk of trials: inputs of all trials one after the other, one result each.
using ChunkModel = std::function<void(std::span<const double> trials, std::span<double> results)>;

[[nodiscard]] Result<MonteCarloResult> monte_carlo_chunks(const ChunkModel& model, std::span<const Input> inputs,
                                                          std::span<const Correlation> correlations,
                                                          const MonteCarloOptions& options);

// How many trials a block has; the results of one block alone, in the order of its trials.
[[nodiscard]] std::size_t block_trials(double coverage);
[[nodiscard]] std::vector<double> block_results(const ChunkModel& model, const Sampler& sampler, double coverage,
                                                std::uint64_t seed, std::uint64_t block);

// A model over one trial as a model over a chunk; the compiler sees the loop and the model together.
template <class Model>
[[nodiscard]] ChunkModel chunk_model(Model model, std::size_t inputs) {
  return [model = std::move(model), inputs](std::span<const double> trials, std::span<double> results) {
    for (std::size_t i = 0; i < results.size(); ++i) results[i] = model(trials.subspan(i * inputs, inputs));
  };
}

template <class Model>
[[nodiscard]] Result<MonteCarloResult> monte_carlo(Model model, std::span<const Input> inputs,
                                                   std::span<const Correlation> correlations = {},
                                                   const MonteCarloOptions& options = {}) {
  return monte_carlo_chunks(chunk_model(std::move(model), inputs.size()), inputs, correlations, options);
}

}  // namespace nightwell::uncertainty
