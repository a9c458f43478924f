// The night that the benchmarks measure: 14 h, 12 setpoints, 40 channels, a sweep of them all every second, 2 million
// readings. A platinum reference, 20 platinum items, 19 thermocouples of type T in an ice bath; captures inside the settle
// window, so that the sweeps carry temperatures too; tolerances and a budget, so that all 468 verdicts are worked out.
#pragma once

#include <chrono>
#include <cmath>
#include <random>
#include <string>

#include "sequence/plan.hpp"
#include "support/plans.hpp"
#include "support/simulated_run.hpp"

namespace nightwell::bench {

using namespace std::chrono_literals;

inline constexpr std::size_t platinum_items = 20, thermocouples = 19;

inline sequence::Channel probe(std::size_t index, sequence::Role role, thermometry::SensorModel model) {
  const bool platinum = std::holds_alternative<thermometry::Platinum>(model);
  sequence::Channel out;
  out.name = role == sequence::Role::reference ? "reference" : "probe-" + std::to_string(index);
  out.address = 101 + static_cast<int>(index);
  out.measures = platinum ? Quantity::resistance : Quantity::voltage;
  if (!platinum) out.junction = sequence::JunctionFixed{0};
  out.role = role;
  out.card.file = "cards/" + out.name + ".json";
  out.card.serial = "SB-" + std::to_string(1000 + index);
  out.card.type = platinum ? "Pt100" : "type T";
  out.card.model = std::move(model);
  out.card.lowest_c = -50;
  out.card.highest_c = 125;
  out.card.certificate = "C-" + std::to_string(1000 + index);
  out.card.calibrated = "2026-01-10";
  out.card.due = "2027-01-10";
  if (role == sequence::Role::reference)
    out.card.u95_k = 0.012;
  else if (platinum)
    out.card.tolerance = thermometry::Iec60751Tolerance{thermometry::Iec60751Class::a};
  else
    out.card.tolerance =
        thermometry::Iec60584Tolerance{thermometry::Iec60584Class::one, thermometry::ThermocoupleType::t};
  return out;
}

// `budget`: the text of a budget file that knows "scanner-a" and "bath".
inline sequence::Plan long_night(const std::string& budget) {
  sequence::Plan plan = tests::bath_plan({-30, -20, -10, 0, 10, 20, 30, 40, 50, 60, 70, 80});
  plan.scanners[0].name = "scanner-a";
  plan.channels = {probe(0, sequence::Role::reference, thermometry::Platinum{})};
  for (std::size_t i = 1; i <= platinum_items; ++i)
    plan.channels.push_back(probe(i, sequence::Role::item, thermometry::Platinum{}));
  for (std::size_t i = platinum_items + 1; i <= platinum_items + thermocouples; ++i)
    plan.channels.push_back(
        probe(i, sequence::Role::item, thermometry::Thermocouple{thermometry::ThermocoupleType::t, {}}));
  for (auto& plateau : plan.plateaus) {
    plateau.settle = {600s, 0.008, 0.03, std::nullopt};
    plateau.capture = {sequence::Placement::inside, sequence::ReadingOrder::straight, 600, 0s};
    plateau.approach_limit.within = plateau.settle_limit.within = 3h;
  }
  plan.sampling = {1s, 1s};
  plan.guards.heating_window = 1800s;
  plan.guards.heating_gain_k = 0.1;
  plan.cooldown.limit.within = 4h;
  plan.budget = budget;
  return plan;
}

// What the probes of `plan` read: each off by up to 30 mK, with noise, in the digits of a scanner of 7 1/2 (10 µohm, 10 nV).
inline tests::SimulatedBench long_night_bench(const sequence::Plan& plan, unsigned seed) {
  tests::SimulatedBench bench;
  bench.time_constant_s = 515;     // 70 minutes a plateau
  bench.visit = Duration{24'987};  // a whole sweep within its second
  std::mt19937_64 random(seed);
  std::vector<double> off_k;
  for (std::size_t i = 0; i < plan.channels.size(); ++i)
    off_k.push_back(i == 0 ? 0 : std::uniform_real_distribution<double>(-0.03, 0.03)(random));
  bench.read = [&plan, off_k, random](std::size_t channel, Instant, double source_c) mutable -> std::optional<double> {
    const auto& sensor = plan.channels[channel].card.model;
    const double t_c = source_c + off_k[channel] + std::normal_distribution<double>(0, 0.001)(random);
    const auto raw = thermometry::raw_value(sensor, t_c, 0.0);
    if (!raw) return std::nullopt;
    const double digit = plan.channels[channel].measures == Quantity::resistance ? 1e5 : 1e8;
    return std::round(*raw * digit) / digit;
  };
  return bench;
}

}  // namespace nightwell::bench
