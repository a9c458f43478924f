// Monte Carlo trials per second on one core, as a budget of a thermometer asks for them: a dozen inputs of all shapes
// into a linear model; the same with normal inputs alone; the same with the adaptive procedure looking after every
// block.
//
// Usage: monte_carlo_bench [Google Benchmark options]. Figures count on a quiet machine only.
#include <benchmark/benchmark.h>

#include <cmath>
#include <cstdlib>
#include <vector>

#include "uncertainty/monte_carlo.hpp"

using namespace nightwell::uncertainty;

namespace {

constexpr std::size_t trials = 1'000'000, inputs_count = 12;

double model(std::span<const double> x) {
  double out = 0;
  for (const double value : x) out += value;
  return out;
}

std::vector<Input> normal_inputs() {
  return std::vector<Input>(inputs_count, Input{1, *Distribution::normal(0.1)});
}

std::vector<Input> inputs_of_all_shapes() {
  std::vector<Input> out;
  for (std::size_t i = 0; i < inputs_count / 4; ++i) {
    out.push_back({1, *Distribution::normal(0.1)});
    out.push_back({2, *Distribution::rectangular(0.1)});
    out.push_back({3, *Distribution::triangular(0.1)});
    out.push_back({4, *Distribution::u_shaped(0.1)});
  }
  return out;
}

void propagate(benchmark::State& state, const std::vector<Input>& inputs, const MonteCarloOptions& options) {
  std::size_t done = 0;
  for (auto _ : state) {
    const auto run = monte_carlo(model, inputs, {}, options);
    if (!run) return state.SkipWithError(run.error().text().c_str());
    benchmark::DoNotOptimize(run->mean);
    done += run->trials;
  }
  state.counters["trials/s"] = benchmark::Counter(static_cast<double>(done), benchmark::Counter::kIsRate);
}

const MonteCarloOptions fixed{.significant_digits = {}, .most_trials = trials};
const MonteCarloOptions adaptive{.significant_digits = 4, .most_trials = trials};  // never reached: the cost of looking

BENCHMARK_CAPTURE(propagate, all_shapes, inputs_of_all_shapes(), fixed)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(propagate, normal, normal_inputs(), fixed)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(propagate, adaptive, inputs_of_all_shapes(), adaptive)->Unit(benchmark::kMillisecond);

}  // namespace

BENCHMARK_MAIN();
