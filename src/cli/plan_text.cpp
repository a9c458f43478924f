#include "cli/plan_text.hpp"

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

std::string plateaus_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {
      {"PLATEAU", "SETPOINT", "SOURCE", "BAND", "WINDOW", "DRIFT", "SPREAD", "SWEEPS", "APPROACH", "SETTLE"}};
  for (const Plateau& plateau : plan.plateaus)
    rows.push_back({std::to_string(rows.size()), degrees(plateau.setpoint_c), shown(plan.sources[plateau.source].name),
                    "±" + kelvin(plateau.band_k), lasting(plateau.settle.window),
                    kelvin(plateau.settle.largest_drift_k), kelvin(plateau.settle.largest_spread_k),
                    capture_text(plateau.capture), limit_text(plateau.approach_limit),
                    limit_text(plateau.settle_limit)});
  return table(rows);
}

std::string channels_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {
      {"CHANNEL", "ROLE", "SERIAL", "TYPE", "MEASURES", "SCANNER", "ADDRESS", "USED FROM", "TO", "DUE"}};
  for (const Channel& channel : plan.channels)
    rows.push_back({shown(channel.name), std::string(name(channel.role)), shown(channel.card.serial),
                    shown(channel.card.type), std::string(name(channel.measures)),
                    shown(plan.scanners[channel.scanner].name), std::to_string(channel.address),
                    degrees(channel.card.lowest_c), degrees(channel.card.highest_c), shown(channel.card.due)});
  return table(rows);
}

// Of a scanner or a source.
template <class Instrument>
std::string driver_text(const Instrument& instrument) {
  const std::string& file = instrument.dialect.file.empty() ? instrument.program.file : instrument.dialect.file;
  return shown(file.empty() ? instrument.driver : instrument.driver + " " + file);
}

std::string instruments_text(const Plan& plan) {
  std::vector<std::vector<std::string>> rows = {{"INSTRUMENT", "DRIVER", "PORT", "LIMITS"}};
  for (const Scanner& scanner : plan.scanners)
    rows.push_back({shown(scanner.name), driver_text(scanner), shown(port_name(scanner.port)), ""});
  for (const Source& source : plan.sources)
    rows.push_back({shown(source.name), source.attended ? "attended" : driver_text(source),
                    source.attended ? "" : shown(port_name(source.port)),
                    degrees(source.lowest_c) + " to " + degrees(source.highest_c) + ", never above " +
                        degrees(source.absolute_highest_c) + ", parks at " + degrees(source.safe_c)});
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
  if (!plan.customer_reference.empty()) out += ", customer reference " + shown(plan.customer_reference);
  out += "\n\n";
  if (!plan.plateaus.empty()) out += plateaus_text(plan) + "\n";
  out += channels_text(plan) + "\n" + instruments_text(plan) + "\n" + night_text(plan);
  for (const std::string& serial : plan.accepted_overdue)
    out += "Accepted: reference " + shown(serial) + " is past its due date\n";
  return out;
}

}  // namespace nightwell::cli
