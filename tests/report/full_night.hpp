// Results and course of a night put together by hand, with everything in them that a page can show.
#pragma once

#include <algorithm>
#include <string>
#include <vector>

#include "nightwell/thermometry/sensor.hpp"
#include "results/course.hpp"
#include "results/results.hpp"

namespace nightwell::report::fixture {

inline results::Channel sensor(const std::string& name, results::Role role, const std::string& serial) {
  results::Channel out;
  out.name = name;
  out.role = role;
  out.serial = serial;
  out.type = role == results::Role::item ? "thermocouple type T" : "Pt100";
  out.measures = role == results::Role::item ? Quantity::voltage : Quantity::resistance;
  out.lowest_c = -40;
  out.highest_c = 100;
  if (role != results::Role::item) {
    out.certificate = "CERT-" + serial;
    out.calibrated = "2026-01-10";
    out.due = "2027-01-10";
    out.u95_k = 0.012;
  }
  return out;
}

inline results::Readings read(std::size_t channel, double mean_c) {
  results::Readings out;
  out.channel = channel;
  out.n = 20;
  out.raw_mean = channel == 0 ? 100 + 0.385 * mean_c : 4e-5 * mean_c;
  out.mean_c = mean_c;
  out.sd_k = 0.0012;
  out.drift_k = -0.0016;
  return out;
}

inline results::BudgetLine budget_line(const std::string& name, const std::string& unit, uncertainty::Shape shape,
                                       double amount, double sensitivity, double contribution_k) {
  return {name,
          unit,
          shape,
          amount,
          std::nullopt,
          sensitivity,
          {{results::Enters::error, 0, sensitivity}},
          "certificate or manual of " + name,
          contribution_k};
}

inline results::Item judged(std::size_t channel, double reference_c, double error_k, results::Answer answer) {
  using uncertainty::Shape;
  results::Item out;
  out.readings = read(channel, reference_c + error_k);
  out.error_k = error_k;
  out.error_sd_k = 0.0011;
  out.standard_error_k = 0.00025;
  results::ItemBudget budget;
  budget.lines = {
      budget_line("scatter of item - reference", "K", Shape::normal, 0.00025, 1, 0.00025),
      budget_line("reference SB-R-01: certificate", "K", Shape::normal, 0.006, -1, 0.006),
      budget_line("item SB-T-01, scanner-a: accuracy", "V", Shape::rectangular, 2e-6, 24500, 0.0283),
      budget_line("reference SB-R-01, scanner-a: resolution", "ohm", Shape::rectangular, 5e-6, -2.56, 7.4e-6),
      budget_line("bath: gradients between the wells", "K", Shape::u_shaped, 0.01, 1, 0.00707)};
  budget.lines[0].degrees_of_freedom = 19;
  budget.coverage = 0.9545;
  budget.standard_k = 0.0299;
  budget.degrees_of_freedom = 812.4;
  budget.factor = 2.0;
  budget.expanded_k = 0.0598;
  out.budget = budget;
  results::Verdict verdict;
  verdict.answer = answer;
  verdict.tolerance = "IEC 60584-1 class 1, type T";
  verdict.limit_k = 0.5;
  verdict.conformance = answer == results::Answer::within ? 0.9998 : answer == results::Answer::outside ? 0.0004 : 0.61;
  if (answer == results::Answer::not_decided) verdict.why = "the error is nearer to the limit than U";
  out.verdict = verdict;
  return out;
}

inline results::Plateau closed(std::size_t index, double setpoint_c, double first_error_k, results::Answer answer) {
  results::Plateau out;
  out.index = index;
  out.setpoint_c = setpoint_c;
  out.source = "bath";
  out.outcome = "settled";
  out.why = "settle rule met";
  out.sweeps = 10;
  out.from_s = 3600.0 * static_cast<double>(index + 1);
  out.to_s = *out.from_s + 600;
  out.reference.each = {read(0, setpoint_c + 0.004)};
  out.reference.n = 20;
  out.reference.mean_c = setpoint_c + 0.004;
  out.reference.drift_k = -0.0016;
  out.items = {judged(1, setpoint_c, first_error_k, answer), judged(2, setpoint_c, -0.12, results::Answer::within)};
  out.junctions = {read(3, 23.1)};
  return out;
}

inline results::Results full_results() {
  using results::Answer, results::Role;
  results::Results out;
  out.run = "cold-store-0301";
  out.job = "seed-bank-march";
  out.profile = "cold-store";
  out.bench = "bath-1";
  out.customer_reference = "SB-2026-041";
  out.program_name = "nightwelld";
  out.program_version = "0.1.0";
  out.host = "bench-pc";
  out.opened_utc = "2026-03-01T21:14:05.000250Z";
  out.last_utc = "2026-03-02T06:01:00.000000Z";
  out.ending = "stopped";
  out.ending_why = "asked by ada";
  out.accepted_overdue = {"SB-R-01"};
  out.verification.lines = 3401;
  out.verification.bytes = 959441;
  out.verification.head = std::string(64, 'a');
  out.channels = {sensor("reference", Role::reference, "SB-R-01"), sensor("probe-1", Role::item, "SB-T-01"),
                  sensor("probe-2", Role::item, "SB-T-02"), sensor("block", Role::junction, "SB-B-01")};
  out.channels[2].left_out = "open_sensor three times in a row";
  out.plateaus = {closed(0, -25, 0.47, Answer::not_decided), closed(1, 15, 0.31, Answer::within),
                  closed(2, 60, 0.66, Answer::outside), closed(3, 15, 0.33, Answer::within)};
  out.plateaus[1].items[1].readings.faults = {{"open_sensor", 4}};
  out.plateaus[1].items[0].budget->gaps = {"the budget states nothing about source bath"};
  out.plateaus[2].outcome = "not_settled";
  out.plateaus[2].why = "out of time";
  results::Plateau skipped;
  skipped.index = 4;
  skipped.setpoint_c = 80;
  skipped.source = "bath";
  skipped.outcome = "skipped";
  skipped.why = "asked by ada";
  out.plateaus.push_back(skipped);
  // From 21 °C to -25, up to 15 and 60, down to 15, up to 80.
  using results::Direction;
  out.plateaus[0].direction = out.plateaus[3].direction = Direction::down;
  out.plateaus[1].direction = out.plateaus[2].direction = out.plateaus[4].direction = Direction::up;
  for (const std::size_t item : {1U, 2U})
    out.revisited.push_back({item, 15, "bath", {1, 0.31}, {2, 0.3275}, -0.0175, 0.0035, 1});
  out.unclosed = {{5, 95}};
  out.lab_budget.emplace();
  out.lab_budget->rule_source = "ILAC-G8:09/2019, guard band w = U";
  return out;
}

inline results::PlateauCourse planned(std::size_t index, double setpoint_c) {
  results::PlateauCourse out;
  out.index = index;
  out.setpoint_c = setpoint_c;
  out.source = "bath";
  out.band_k = 0.3;
  out.settle = {900, 0.01, 0.02, 0.03};
  out.capture = {"inside", "mirrored", 10, 20};
  out.approach_limit = {10800, "park"};
  out.settle_limit = {14400, "capture"};
  out.capture_limit = {3600, "skip"};
  return out;
}

inline results::Course full_course() {
  results::Course out;
  const std::vector<double> setpoints_c = {-25, 15, 60, 15, 80, 95};
  double before_c = 21;
  for (std::size_t i = 0; i < setpoints_c.size(); ++i) {
    auto plateau = planned(i, setpoints_c[i]);
    const double end_s = 3600.0 * static_cast<double>(i + 1) + 600;
    if (i < 4) {
      out.phases.push_back({end_s - 3600, "approach", i, setpoints_c[i], "the plateau before is done"});
      out.steps.push_back({end_s - 3600, "bath", setpoints_c[i], true});
      for (int k = 0; k < 200; ++k) {
        const double part = std::min(1.0, k / 100.0);
        out.reference.push_back({end_s - 3600 + 18.0 * k, before_c + part * (setpoints_c[i] - before_c)});
      }
      results::SettleWindow window{end_s - 900, end_s, setpoints_c[i] + 0.004, -0.0044, 0.0176, {}};
      for (int k = 0; k <= 30; ++k)
        window.points.push_back({end_s - 900 + 30.0 * k, setpoints_c[i] + 0.004 + 0.008 * (k % 3 - 1)});
      plateau.closed_s = end_s;
      plateau.window = window;
      before_c = setpoints_c[i];
    }
    out.plateaus.push_back(plateau);
  }
  out.events = {{14200, "person", "hold by ada: lid open"}, {15100, "left_out", "probe-2: open_sensor"}};
  out.identities = {{"scanner-a", "Simulated scanner"}};
  out.orders["mirrored"] = {3, 0, 1, 2, 2, 1, 0, 3};
  out.files = {{"cards/probe-1.json", std::string(64, 'b')}};
  out.end_s = 16000;
  return out;
}

// The same with a first item that can be fitted, a Pt100 that reads 0.05 ohm too much, and a second that cannot.
inline results::Results fitted_results() {
  results::Results out = full_results();
  out.channels[1].model = thermometry::Platinum{};
  out.channels[1].measures = Quantity::resistance;
  out.channels[2].model = thermometry::CurrentTransmitter{};
  for (auto& plateau : out.plateaus) {
    if (plateau.items.empty()) continue;
    auto& item = plateau.items[0];
    item.readings.raw_mean = *thermometry::raw_value(thermometry::Platinum{100.05}, plateau.setpoint_c, std::nullopt);
    item.readings.mean_c = *thermometry::temperature_c(thermometry::Platinum{}, *item.readings.raw_mean, std::nullopt);
    item.error_k = *item.readings.mean_c - plateau.setpoint_c;
  }
  return out;
}

// Every text of both replaced.
inline void set_every_text(results::Results& results, results::Course& course, const std::string& text) {
  for (std::string* field : {&results.run, &results.job, &results.profile, &results.bench, &results.customer_reference,
                             &results.program_name, &results.program_version, &results.host, &results.ending_why,
                             &results.opened_utc, &results.last_utc, &results.verification.head})
    *field = text;
  results.ending = text;
  results.accepted_overdue = {text};
  for (auto& one : results.channels) {
    one.name = one.serial = one.type = one.certificate = one.calibrated = one.due = one.scanner = text;
    one.left_out = text;
  }
  for (auto& plateau : results.plateaus) {
    plateau.source = plateau.outcome = plateau.why = text;
    for (auto& item : plateau.items) {
      item.readings.faults = {{text, 1}};
      item.budget->gaps = {text};
      for (auto& line : item.budget->lines) line.name = line.unit = line.source = text;
      item.verdict->tolerance = item.verdict->why = text;
    }
  }
  for (auto& one : results.revisited) one.source = text;
  results.findings = {{text, text, text}};
  results.lab_budget->rule_source = text;
  for (auto& phase : course.phases) phase.phase = phase.why = text;
  for (auto& event : course.events) event.kind = event.text = text;
  for (auto& identity : course.identities) identity.instrument = identity.text = text;
  for (auto& step : course.steps) step.source = text;
  for (auto& plateau : course.plateaus) {
    plateau.source = plateau.capture.placement = plateau.capture.order = text;
    plateau.settle_limit.otherwise = text;
  }
  course.orders = {{text, {0, 1}}};
  course.files = {{text, text}};
}

}  // namespace nightwell::report::fixture
