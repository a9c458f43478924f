#include "uncertainty/monte_carlo.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>

#include "uncertainty/agreement.hpp"
#include "uncertainty/faults.hpp"
#include "uncertainty/statistics.hpp"

namespace nightwell::uncertainty {

namespace {

constexpr auto propagating = "propagating distributions by Monte Carlo";
constexpr double highest_coverage = 0.9999;
constexpr std::size_t trials_limit = 50'000'000;
constexpr std::size_t chunk_trials = 250;  // a dozen inputs of a chunk stay in a core's first cache

// The four figures whose stability ends an adaptive run, of one block.
using Figures = std::array<double, 4>;  // mean, standard deviation, low, high

Result<void> check_options(const MonteCarloOptions& options) {
  if (const auto ok = check_coverage(propagating, options.coverage); !ok) return ok;
  if (options.coverage > highest_coverage)
    return bad_input(propagating,
                     "the coverage probability is " + number(options.coverage) + "; at most 0.9999 is possible");
  if (options.most_trials < 1 || options.most_trials > trials_limit)
    return bad_input(propagating,
                     std::to_string(options.most_trials) + " trials are asked; 1 to 50 million are possible");
  if (options.significant_digits && (*options.significant_digits < 1 || *options.significant_digits > 4))
    return bad_input(propagating, std::to_string(*options.significant_digits) +
                                      " significant digits are asked; 1 to 4 are possible");
  return {};
}

// Mean and sum of squares about it, joined block by block in the order of the blocks.
struct Moments {
  double count = 0, mean = 0, squares = 0;

  void add(const Moments& more) {
    const double all = count + more.count, difference = more.mean - mean;
    mean += difference * (more.count / all);
    squares += more.squares + difference * difference * (count * more.count / all);
    count = all;
  }
  [[nodiscard]] double standard_deviation() const { return std::sqrt(squares / (count - 1)); }
};

Moments moments(std::span<const double> values) {
  Moments out{static_cast<double>(values.size()), *mean(values), 0};
  for (const double value : values) out.squares += (value - out.mean) * (value - out.mean);
  return out;
}

// JCGM 101 7.9.4, steps g to j: twice the standard deviation of the average over the blocks, for each figure.
bool is_stable(std::span<const Figures> blocks, double tolerance) {
  if (blocks.size() < 2) return false;
  for (std::size_t figure = 0; figure < std::tuple_size_v<Figures>; ++figure) {
    std::vector<double> values;
    for (const auto& block : blocks) values.push_back(block[figure]);
    if (2 * *sample(values).standard_deviation_of_mean >= tolerance) return false;
  }
  return true;
}

}  // namespace

std::size_t block_trials(double coverage) {
  const auto wanted = static_cast<std::size_t>(std::ceil(100 / (1 - coverage) * (1 - 1e-9)));
  return (std::max<std::size_t>(wanted, 10'000) + chunk_trials - 1) / chunk_trials * chunk_trials;
}

std::vector<double> block_results(const ChunkModel& model, const Sampler& sampler, double coverage, std::uint64_t seed,
                                  std::uint64_t block) {
  RandomStream stream(seed, block);
  std::vector<double> trials(chunk_trials * sampler.inputs()), results(block_trials(coverage));
  for (std::size_t at = 0; at < results.size(); at += chunk_trials) {
    sampler.draw(stream, trials);
    model(trials, std::span(results).subspan(at, chunk_trials));
  }
  return results;
}

Result<MonteCarloResult> monte_carlo_chunks(const ChunkModel& model, std::span<const Input> inputs,
                                            std::span<const Correlation> correlations,
                                            const MonteCarloOptions& options) {
  if (const auto ok = check_options(options); !ok) return ok.error();
  const auto sampler = Sampler::of(inputs, correlations);
  if (!sampler) return sampler.error();

  const std::size_t in_block = block_trials(options.coverage);
  const std::size_t most_blocks = (options.most_trials + in_block - 1) / in_block;
  MonteCarloResult out;
  out.coverage_probability = options.coverage;
  Moments all;
  std::vector<Figures> blocks;
  std::vector<double> values;
  values.reserve(most_blocks * in_block);  // address space only: pages come as blocks do
  while (blocks.size() < most_blocks && !out.stable) {
    auto results = block_results(model, *sampler, options.coverage, options.seed, blocks.size());
    const auto odd = std::find_if_not(results.begin(), results.end(), [](double y) { return std::isfinite(y); });
    if (odd != results.end())
      return Error{Errc::out_of_range, propagating,
                   "trial " + std::to_string(values.size() + static_cast<std::size_t>(odd - results.begin())) +
                       ": the model gave " + number(*odd) + "; an input's distribution leaves the range of the model",
                   ""};
    const Moments of_block = moments(results);
    all.add(of_block);
    values.insert(values.end(), results.begin(), results.end());
    blocks.emplace_back();
    if (!options.significant_digits) continue;

    const auto [low, high] = coverage_intervals(results, options.coverage).symmetric;
    blocks.back() = {of_block.mean, of_block.standard_deviation(), low, high};
    const double u = all.standard_deviation();
    if (!(u > 0)) {  // nothing scatters: every digit is reached
      out.stable = blocks.size() > 1;
      continue;
    }
    const auto tolerance = numerical_tolerance(u, *options.significant_digits);
    if (!tolerance) return tolerance.error();
    out.stable = is_stable(blocks, *tolerance / (options.for_validation ? 5 : 1));
  }

  out.trials = values.size();
  out.mean = all.mean;
  out.standard_uncertainty = all.standard_deviation();
  const auto intervals = coverage_intervals(values, options.coverage);
  out.symmetric = intervals.symmetric;
  out.shortest = intervals.shortest;
  return out;
}

}  // namespace nightwell::uncertainty
