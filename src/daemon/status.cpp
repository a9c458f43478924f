#include "daemon/status.hpp"

#include <nlohmann/json.hpp>

#include "journal/or_null.hpp"

namespace nightwell::daemon {

namespace {

using Json = nlohmann::ordered_json;
using journal::or_null;
using namespace sequence;  // NOLINT: this file is about its types only

Json plateau_json(const Plan& plan, std::size_t index) {
  const auto& plateau = plan.plateaus[index];
  return {{"number", index + 1},
          {"of", plan.plateaus.size()},
          {"setpoint_c", plateau.setpoint_c},
          {"source", plan.sources[plateau.source].name},
          {"band_k", plateau.band_k}};
}

std::vector<std::size_t> items_in_use(const Plan& plan, const Run& run) {
  std::vector<std::size_t> out;
  for (const std::size_t item : channels_with(plan, Role::item))
    if (!run.channels[item].left_out) out.push_back(item);
  return out;
}

// The settle window as it stands, or as it stood when the capture began.
Json window_status(const Plan& plan, const Run& run) {
  std::optional<WindowFacts> facts;
  const SettleRule* rule = nullptr;
  if (const auto* settle = std::get_if<Settle>(&run.state)) {
    rule = &plan.plateaus[settle->plateau].settle;
    facts = settle->window.facts(items_in_use(plan, run));
  } else if (const auto* capture = std::get_if<Capture>(&run.state)) {
    rule = &plan.plateaus[capture->plateau].settle;
    facts = capture->window;
  }
  if (!facts) return nullptr;
  std::string holding = facts->holding;
  const bool of_an_item = facts->worst_item && holding.rfind("item", 0) == 0;
  if (of_an_item) holding = plan.channels[*facts->worst_item].name + ": " + holding;
  const bool any = facts->readings > 0;
  const auto number = [any](double value) { return any ? Json(value) : Json(nullptr); };
  return {{"length_s", to_seconds(facts->length)},
          {"held_s", to_seconds(facts->held)},
          {"readings", facts->readings},
          {"minimum_c", number(facts->minimum_c)},
          {"maximum_c", number(facts->maximum_c)},
          {"mean_c", number(facts->mean_c)},
          {"deviation_k", number(facts->deviation_k)},
          {"drift_k", number(facts->drift_k)},
          {"spread_k", number(facts->spread_k)},
          {"largest_drift_k", rule->largest_drift_k},
          {"largest_spread_k", rule->largest_spread_k},
          {"largest_item_drift_k", or_null(rule->item_drift_k)},
          {"worst_item_drift_k", facts->worst_item ? Json(facts->worst_item_drift_k) : Json(nullptr)},
          {"holding", holding}};
}

Json sweeps_json(const Plan& plan, const Run& run) {
  const auto at = plateau(run);
  if (!at) return nullptr;
  const auto& capture_plan = plan.plateaus[*at].capture;
  if (const auto* capture = std::get_if<Capture>(&run.state))
    return {{"done", capture->done}, {"of", capture_plan.sweeps}};
  // Which sweeps it will be, only the proof decides: the last ones.
  if (std::holds_alternative<Settle>(run.state) && capture_plan.placement == Placement::inside)
    return {{"done", 0}, {"of", capture_plan.sweeps}};
  return nullptr;
}

Json sources_json(const Plan& plan, const Run& run, const StatusFacts& facts) {
  Json out = Json::array();
  for (std::size_t s = 0; s < plan.sources.size(); ++s) {
    const auto& seen = run.sources[s];
    Json source{{"name", plan.sources[s].name}, {"attended", plan.sources[s].attended}};
    source["target_c"] = seen.seen ? Json(seen.target_c) : Json(nullptr);
    source["temperature_c"] = seen.seen ? Json(seen.temperature_c) : Json(nullptr);
    source["output"] = seen.seen ? Json(seen.output) : Json(nullptr);
    source["lease_left_s"] = seen.seen ? Json(seen.lease_left_s) : Json(nullptr);
    source["age_s"] = seen.seen ? Json(to_seconds(facts.now - seen.at)) : Json(nullptr);
    source["parked"] = facts.parked[s].has_value();
    out.push_back(std::move(source));
  }
  return out;
}

Json channels_json(const Plan& plan, const Run& run) {
  Json out = Json::array();
  for (std::size_t c = 0; c < plan.channels.size(); ++c) {
    const auto& seen = run.channels[c];
    out.push_back(
        {{"name", plan.channels[c].name},
         {"role", name(plan.channels[c].role)},
         {"serial", plan.channels[c].card.serial},
         {"type", plan.channels[c].card.type},
         {"t_c", or_null(seen.t_c)},
         {"fault", seen.fault.empty() ? Json(nullptr) : Json(seen.fault)},
         {"left_out", seen.left_out ? Json(seen.fault.empty() ? "failed earlier" : seen.fault) : Json(nullptr)}});
  }
  return out;
}

Json plateaus_json(const Plan& plan, const Run& run) {
  Json out = Json::array();
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i)
    out.push_back({{"setpoint_c", plan.plateaus[i].setpoint_c},
                   {"source", plan.sources[plan.plateaus[i].source].name},
                   {"outcome", i < run.closed.size() ? Json(name(run.closed[i].outcome)) : Json(nullptr)}});
  return out;
}

Json parked_json(const Plan& plan, const Run& run, const StatusFacts& facts) {
  const auto* parked = std::get_if<Parked>(&run.state);
  if (parked == nullptr) return nullptr;
  bool confirmed = true;
  std::string text;
  for (std::size_t s = 0; s < plan.sources.size(); ++s) {
    const bool by_hand = plan.sources[s].attended && run.sources[s].used;
    if (by_hand || (!plan.sources[s].attended && !parked->confirmed[s])) confirmed = false;
    if (by_hand)
      text += (text.empty() ? "" : "; ") + plan.sources[s].name +
              ": a person must switch it off, and nobody can say here that it is";
    if (facts.parked[s] && !facts.parked[s]->text.empty())
      text += (text.empty() ? "" : "; ") + plan.sources[s].name + ": " + facts.parked[s]->text;
  }
  return {{"cause", parked->cause}, {"confirmed", confirmed}, {"untouched", parked->untouched}, {"text", text}};
}

}  // namespace

Json status_json(const Plan& plan, const Run& run, const StatusFacts& facts) {
  const auto at = plateau(run);
  const Progress far = progress(plan, run, facts.now);
  Json out;
  out["run"] = facts.run_id;
  out["state"] = name(phase(run));
  out["profile"] = plan.profile;
  out["bench"] = plan.bench;
  out["job"] = plan.job;
  out["journal"] = facts.journal;
  out["opened_utc"] = facts.opened_utc;
  out["utc"] = facts.utc;
  out["up_s"] = up_s(facts.now);
  out["phase_s"] = to_seconds(facts.now - run.phase_since);
  out["speed"] = facts.speed;
  out["plateau"] = at ? plateau_json(plan, *at) : Json(nullptr);
  out["reference_c"] = or_null(run.reference_c);
  out["reference_age_s"] = run.reference_c ? Json(to_seconds(facts.now - run.reference_good_at)) : Json(nullptr);
  out["window"] = window_status(plan, run);
  out["sweeps"] = sweeps_json(plan, run);
  out["sources"] = sources_json(plan, run, facts);
  out["channels"] = channels_json(plan, run);
  out["plateaus"] = plateaus_json(plan, run);
  out["progress"] = far.done;
  out["expected_left_s"] = to_seconds(far.left);
  out["expected_finish_utc"] = facts.expected_finish_utc;
  out["waiting_for"] = facts.waiting_for.empty() ? Json(nullptr) : Json(facts.waiting_for);
  out["why"] = facts.why;
  out["parked"] = parked_json(plan, run, facts);
  out["ending"] = facts.ending ? Json(name(*facts.ending)) : Json(nullptr);
  if (plan.survey) {
    Json findings = Json::array();
    for (const auto& finding : facts.findings)
      findings.push_back(
          {{"channel", plan.channels[finding.channel].name}, {"finding", finding.finding}, {"text", finding.text}});
    out["survey"] = {{"expected_c", plan.survey->expected_c}, {"findings", std::move(findings)}};
  }
  return out;
}

}  // namespace nightwell::daemon
