// Raw value -> t90: conversions a second, and the largest error against the reference function that the raw values came from.
// Compare on a quiet machine, preset release; figures mean nothing in a debug build.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "nightwell/thermometry/sensor.hpp"

using namespace nightwell::thermometry;

namespace {

// Temperatures in an order that no branch predictor learns, the same every time.
std::vector<double> scattered_c(double low_c, double high_c) {
  constexpr std::size_t count = 4096;
  constexpr double golden = 0.6180339887498949;
  std::vector<double> out;
  for (std::size_t i = 0; i < count; ++i) {
    const double fraction = std::fmod(static_cast<double>(i + 1) * golden, 1.0);
    out.push_back(low_c + (high_c - low_c) * fraction);
  }
  return out;
}

void convert(benchmark::State& state, const SensorModel& model, double low_c, double high_c) {
  const auto t_c = scattered_c(low_c, high_c);
  std::vector<double> raw;
  for (const double t : t_c) raw.push_back(*raw_value(model, t, 0.0));
  for (auto _ : state) {
    double sum = 0;
    for (const double one : raw) sum += *temperature_c(model, one, 0.0);
    benchmark::DoNotOptimize(sum);
  }
  double worst_k = 0;
  for (std::size_t i = 0; i < raw.size(); ++i)
    worst_k = std::max(worst_k, std::abs(*temperature_c(model, raw[i], 0.0) - t_c[i]));
  state.SetItemsProcessed(static_cast<std::int64_t>(state.iterations()) * static_cast<std::int64_t>(raw.size()));
  state.counters["worst_nK"] = worst_k * 1e9;
}

const Sprt sprt{25.5, SprtSubrange{4, {-1.7e-4, -1.1e-5}}, SprtSubrange{7, {-1.6e-4, -8e-6, 2e-6}}};

}  // namespace

BENCHMARK_CAPTURE(convert, type_k, SensorModel(Thermocouple{ThermocoupleType::k, {}}), -200, 1370);
BENCHMARK_CAPTURE(convert, type_k_with_deviation, SensorModel(Thermocouple{ThermocoupleType::k, {0, 0.02, -1e-5}}),
                  -200, 1370);
BENCHMARK_CAPTURE(convert, pt100, SensorModel(Platinum{}), -200, 850);
BENCHMARK_CAPTURE(convert, pt100_above_zero, SensorModel(Platinum{}), 0, 850);
BENCHMARK_CAPTURE(convert, sprt, SensorModel(sprt), -189, 660);

BENCHMARK_MAIN();
