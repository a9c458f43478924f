#include "cli/plan_text.hpp"

#include <algorithm>

#include "cli/wording.hpp"
#include "sequence/estimate.hpp"
#include "sequence/events.hpp"
#include "sequence/reading_order.hpp"

namespace nightwell::cli {
namespace {

using namespace sequence;  // NOLINT: this file is about its types only

std::string degrees(double t_c) {
  return shortest(t_c) + " °C";
}
std::string kelvin(double k) {
  return shortest(k) + " K";
}
std::string lasting(Duration duration) {
  return duration_text(to_seconds(duration));
}

std::string limit_text(const PhaseLimit& limit) {
  return lasting(limit.within) + ", else " + std::string(name(limit.otherwise));
}

std::string capture_text(const CapturePlan& capture) {
  return std::to_string(capture.sweeps) + " " + std::string(name(capture.order)) +
         (capture.placement == Placement::inside ? ", inside the window" : "");
}

// What the limits allow in all: no run goes on for longer than this, persons' pauses aside.
Duration longest(const Plan& plan) {
  Duration sum = plan.cooldown.limit.within;
  for (const Plateau& plateau : plan.plateaus)
    sum += plateau.approach_limit.within + plateau.settle_limit.within + plateau.capture_limit.within;
  return sum;
}

// Within 80 columns, and so in several tables: a technician's terminal is that wide.
std::string plateaus_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {
      {"PLATEAU", "SETPOINT", "SOURCE", "BAND", "WINDOW", "DRIFT", "SPREAD", "SWEEPS"}};
  for (const Plateau& plateau : plan.plateaus)
    rows.push_back({std::to_string(rows.size()), degrees(plateau.setpoint_c), shown(plan.sources[plateau.source].name),
                    "±" + kelvin(plateau.band_k), lasting(plateau.settle.window),
                    kelvin(plateau.settle.largest_drift_k), kelvin(plateau.settle.largest_spread_k),
                    capture_text(plateau.capture)});
  return table(rows);
}

// Plateaus behind each other that have the same limits share a line.
std::string limits_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {{"PLATEAUS", "APPROACH", "SETTLE", "CAPTURE"}};
  std::size_t first = 0;
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i) {
    const Plateau& plateau = plan.plateaus[i];
    std::vector<std::string> row = {std::to_string(i + 1), limit_text(plateau.approach_limit),
                                    limit_text(plateau.settle_limit), limit_text(plateau.capture_limit)};
    if (i > 0 && std::equal(row.begin() + 1, row.end(), rows.back().begin() + 1)) {
      rows.back()[0] = std::to_string(first + 1) + " to " + std::to_string(i + 1);
      continue;
    }
    first = i;
    rows.push_back(std::move(row));
  }
  return table(rows);
}

std::string sensors_text(const Plan& plan) {
  constexpr std::size_t longest_type = 20;
  std::vector<std::vector<std::string>> rows = {{"CHANNEL", "ROLE", "SERIAL", "TYPE", "USED FROM", "TO", "DUE"}};
  for (const Channel& channel : plan.channels)
    rows.push_back({shown(channel.name), std::string(name(channel.role)), shown(channel.card.serial),
                    clip(shown(channel.card.type), longest_type), degrees(channel.card.lowest_c),
                    degrees(channel.card.highest_c), shown(channel.card.due)});
  return table(rows);
}

std::string wiring_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {{"CHANNEL", "SCANNER", "ADDRESS", "MEASURES"}};
  for (const Channel& channel : plan.channels)
    rows.push_back({shown(channel.name), shown(plan.scanners[channel.scanner].name), std::to_string(channel.address),
                    std::string(name(channel.measures))});
  return table(rows);
}

// Of a scanner or a source.
template <class Instrument>
std::string driver_text(const Instrument& instrument) {
  const std::string& file = instrument.dialect.file.empty() ? instrument.program.file : instrument.dialect.file;
  return shown(file.empty() ? instrument.driver : instrument.driver + " " + file);
}

std::string instruments_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {{"INSTRUMENT", "DRIVER", "PORT"}};
  for (const Scanner& scanner : plan.scanners)
    rows.push_back({shown(scanner.name), driver_text(scanner), shown(port_name(scanner.port))});
  for (const Source& source : plan.sources)
    rows.push_back({shown(source.name), source.attended ? "attended" : driver_text(source),
                    source.attended ? "" : shown(port_name(source.port))});
  return table(rows);
}

std::string source_limits_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {{"SOURCE", "SETPOINTS", "NEVER ABOVE", "PARKS AT"}};
  for (const Source& source : plan.sources)
    rows.push_back({shown(source.name), degrees(source.lowest_c) + " to " + degrees(source.highest_c),
                    degrees(source.absolute_highest_c), degrees(source.safe_c)});
  return table(rows);
}

std::string night_text(const Plan& plan) {
  if (plan.survey) return "Survey: every " + lasting(plan.survey->every) + " for " + lasting(plan.survey->lasts) + "\n";
  return "Then: cool down to " + degrees(plan.cooldown.target_c) + ", safe to leave between " +
         degrees(plan.cooldown.leave_between_low_c) + " and " + degrees(plan.cooldown.leave_between_high_c) +
         "\nTakes: about " + lasting(expected_duration(plan)) + ", by its limits at most " + lasting(longest(plan)) +
         "\n";
}

}  // namespace

std::string plan_text(const Plan& plan) {
  std::string out = "profile " + shown(plan.profile) + ", bench " + shown(plan.bench) + ", job " + shown(plan.job);
  out += "\n";
  if (!plan.customer_reference.empty()) out += "customer reference " + shown(plan.customer_reference) + "\n";
  out += "\n";
  if (!plan.plateaus.empty()) out += plateaus_text(plan) + "\n" + limits_text(plan) + "\n";
  out += sensors_text(plan) + "\n" + wiring_text(plan) + "\n" + instruments_text(plan) + "\n";
  if (!plan.sources.empty()) out += source_limits_text(plan) + "\n";
  out += night_text(plan);
  for (const std::string& serial : plan.accepted_overdue)
    out += "Accepted: reference " + shown(serial) + " is past its due date\n";
  return out;
}

}  // namespace nightwell::cli
