#include "sequence/estimate.hpp"

#include <algorithm>
#include <cmath>

#include "sequence/reading_order.hpp"

namespace nightwell::sequence {

namespace {

constexpr double usual_start_c = 20;
constexpr double usual_reading_s = 0.3;
constexpr double settle_windows = 2.0;  // a window seldom passes at its first try
constexpr double least_scale = 0.2, largest_scale = 5.0;

double usual_rate_k_per_s(SourceKind kind) {
  switch (kind) {
    case SourceKind::dry_well: return 5.0 / 60;
    case SourceKind::bath: return 1.5 / 60;
    case SourceKind::furnace: return 8.0 / 60;
  }
  return 1.0 / 60;
}

double approach_s(const Plan& plan, const Plateau& plateau, double from_c) {
  return std::abs(plateau.setpoint_c - from_c) / usual_rate_k_per_s(plan.sources[plateau.source].kind);
}

double settle_s(const Plateau& plateau) {
  return settle_windows * to_seconds(plateau.settle.window);
}

double capture_s(const Plan& plan, const Plateau& plateau) {
  const double sweep_s = usual_reading_s * static_cast<double>(visits(plan, plateau.capture.order).size());
  return plateau.capture.sweeps * (sweep_s + to_seconds(plateau.capture.pause));
}

double expected_s(const Plan& plan, std::size_t index, double from_c) {
  const Plateau& plateau = plan.plateaus[index];
  const bool after = plateau.capture.placement == Placement::after;
  return approach_s(plan, plateau, from_c) + settle_s(plateau) + (after ? capture_s(plan, plateau) : 0);
}

double cooldown_s(const Plan& plan) {
  if (plan.plateaus.empty()) return 0;
  const Plateau& last = plan.plateaus.back();
  return std::abs(plan.cooldown.target_c - last.setpoint_c) / usual_rate_k_per_s(plan.sources[last.source].kind);
}

// Expected seconds of each plateau, in order.
std::vector<double> expected_each(const Plan& plan, double start_c) {
  std::vector<double> out;
  double from_c = start_c;
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i) {
    out.push_back(expected_s(plan, i, from_c));
    from_c = plan.plateaus[i].setpoint_c;
  }
  return out;
}

// True to expected time of the plateaus that are done, within reason; 1 where none is.
double true_to_expected(const Run& run, const std::vector<double>& each) {
  double expected_done_s = 0;
  for (std::size_t i = 0; i < run.closed.size(); ++i) expected_done_s += each[i];
  if (expected_done_s <= 0) return 1;
  return std::clamp(to_seconds(run.closed.back().at - *run.plateaus_since) / expected_done_s, least_scale,
                    largest_scale);
}

Progress survey_progress(const Plan& plan, const Run& run, Instant now) {
  const double all_s = to_seconds(plan.survey->lasts);
  const double done_s = std::min(all_s, to_seconds(now - run.phase_since));
  return {all_s > 0 ? done_s / all_s : 0, from_seconds(all_s - done_s)};
}

// Of a run that was stopped or parked: the share of its plateaus that had closed.
double done_at_end(const Plan& plan, const Run& run) {
  if (std::holds_alternative<Finished>(run.state)) return 1;
  if (plan.plateaus.empty()) return 0;
  return static_cast<double>(run.closed.size()) / static_cast<double>(plan.plateaus.size());
}

}  // namespace

Duration expected_duration(const Plan& plan, double start_c) {
  if (plan.survey) return plan.survey->lasts;
  double sum_s = cooldown_s(plan);
  for (const double s : expected_each(plan, start_c)) sum_s += s;
  return from_seconds(sum_s);
}

Progress progress(const Plan& plan, const Run& run, Instant now) {
  if (terminal(run)) return {done_at_end(plan, run), Duration{0}};
  if (plan.survey) return survey_progress(plan, run, now);
  if (!run.plateaus_since) return {0, expected_duration(plan)};

  const auto each = expected_each(plan, usual_start_c);
  const std::size_t closed = run.closed.size();
  const Instant last = closed > 0 ? run.closed.back().at : *run.plateaus_since;
  const double scale = true_to_expected(run, each);
  double left_s = cooldown_s(plan);
  for (std::size_t i = closed; i < each.size(); ++i) left_s += each[i];
  left_s *= scale;
  const double spent_s = to_seconds(now - last);
  const double current_s = (closed < each.size() ? each[closed] : cooldown_s(plan)) * scale;
  left_s -= std::min(spent_s, 0.95 * current_s);
  const double elapsed_s = to_seconds(now.since_open);
  return {elapsed_s / (elapsed_s + std::max(left_s, 0.0)), from_seconds(std::max(left_s, 0.0))};
}

std::optional<Duration> expected_phase(const Plan& plan, const Run& run) {
  if (plan.survey || terminal(run) || !run.plateaus_since) return std::nullopt;
  std::optional<double> lasts_s;
  if (const auto* approach = std::get_if<Approach>(&run.state)) {
    const std::size_t index = approach->plateau;
    lasts_s = approach_s(plan, plan.plateaus[index], index > 0 ? plan.plateaus[index - 1].setpoint_c : usual_start_c);
  } else if (const auto* settle = std::get_if<Settle>(&run.state)) {
    lasts_s = settle_s(plan.plateaus[settle->plateau]);
  } else if (const auto* capture = std::get_if<Capture>(&run.state)) {
    lasts_s = capture_s(plan, plan.plateaus[capture->plateau]);
  } else if (std::holds_alternative<Cooldown>(run.state)) {
    lasts_s = cooldown_s(plan);
  }
  if (!lasts_s) return std::nullopt;
  return from_seconds(*lasts_s * true_to_expected(run, expected_each(plan, usual_start_c)));
}

}  // namespace nightwell::sequence
