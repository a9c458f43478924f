// Plans for tests: small, valid, and easy to bend.
#pragma once

#include "sequence/plan.hpp"

namespace nightwell::tests {

using namespace std::chrono_literals;

// One bath, one scanner, one platinum reference "r1", `items` platinum items "i1"…, one plateau a setpoint.
inline sequence::Plan bath_plan(const std::vector<double>& setpoints_c, std::size_t items = 1) {
  using namespace sequence;
  Plan plan;
  plan.profile = "test night";
  plan.bench = "test bench";
  plan.job = "test job";
  Scanner scanner;
  scanner.name = "scanner";
  scanner.driver = "scpi-scanner";
  scanner.port = PtyPort{"/nowhere"};
  scanner.reply = 2s;
  plan.scanners.push_back(scanner);
  Source bath;
  bath.name = "bath";
  bath.driver = "scpi-source";
  bath.port = PtyPort{"/nowhere-else"};
  bath.lowest_c = -40;
  bath.highest_c = 120;
  bath.absolute_highest_c = 130;
  bath.lease = 30s;
  bath.poll = 5s;
  bath.stale = 20s;
  plan.sources.push_back(bath);
  const auto add = [&plan](const std::string& name, Role role) {
    Channel channel;
    channel.name = name;
    channel.address = 101 + static_cast<int>(plan.channels.size());
    channel.measures = Quantity::temperature;
    channel.role = role;
    channel.card.serial = "SB-" + name;
    channel.card.model = thermometry::Indicated{};
    channel.card.lowest_c = -50;
    channel.card.highest_c = 125;
    plan.channels.push_back(channel);
  };
  add("r1", Role::reference);
  for (std::size_t i = 1; i <= items; ++i) add("i" + std::to_string(i), Role::item);
  for (const double setpoint_c : setpoints_c) {
    Plateau plateau;
    plateau.setpoint_c = setpoint_c;
    plateau.band_k = 0.5;
    plateau.settle = {60s, 0.02, 0.05, std::nullopt};
    plateau.capture = {Placement::after, ReadingOrder::mirrored, 3, 2s};
    plateau.approach_limit = {3600s, LimitPolicy::park};
    plateau.settle_limit = {3600s, LimitPolicy::park};
    plateau.capture_limit = {600s, LimitPolicy::park};
    plan.plateaus.push_back(plateau);
  }
  plan.sampling = {5s, 60s};
  plan.guards.stale = 60s;
  plan.guards.heating_window = 600s;
  plan.guards.heating_gain_k = 1.0;
  plan.cooldown = {20, 5, 40, {7200s, LimitPolicy::park}};
  return plan;
}

}  // namespace nightwell::tests
