#include <nlohmann/json.hpp>

#include "journal/or_null.hpp"
#include "report/report.hpp"
#include "report/seal_words.hpp"

namespace nightwell::report {

namespace {

using Json = nlohmann::ordered_json;
using journal::or_null;
using results::Readings;
using results::Results;

Json readings_json(const Readings& readings, const Results& results) {
  const auto& channel = results.channels[readings.channel];
  Json faults = Json::object();
  for (const auto& fault : readings.faults) faults[fault.code] = fault.count;
  return {{"channel", readings.channel},
          {"name", channel.name},
          {"serial", channel.serial},
          {"n", readings.n},
          {"raw_mean", or_null(readings.raw_mean)},
          {"raw_unit", unit_suffix(channel.measures)},
          {"mean_c", or_null(readings.mean_c)},
          {"sd_k", or_null(readings.sd_k)},
          {"drift_k", or_null(readings.drift_k)},
          {"junction_outside", readings.junction_outside},
          {"faults", std::move(faults)}};
}

Json certificate_json(const results::CertificateOf& certificate) {
  return {{"serial", certificate.serial}, {"number", certificate.number}, {"calibrated", certificate.calibrated}};
}

Json line_json(const results::BudgetLine& line) {
  Json channels = Json::array();
  for (const auto& entry : line.entries)
    if (entry.where != results::Enters::error) channels.push_back(entry.channel);
  return {{"name", line.name},
          {"unit", line.unit},
          {"shape", name(line.shape)},
          {line.shape == uncertainty::Shape::normal ? "standard" : "half_width", line.amount},
          {"degrees_of_freedom", or_null(line.degrees_of_freedom)},
          {"sensitivity", line.sensitivity},
          {"contribution_k", line.contribution_k},
          {"channels", std::move(channels)},
          {"source", line.source},
          {"certificate", line.certificate ? certificate_json(*line.certificate) : Json(nullptr)}};
}

Json budget_json(const results::ItemBudget& budget) {
  Json lines = Json::array();
  for (const auto& line : budget.lines) lines.push_back(line_json(line));
  return {{"lines", std::move(lines)},
          {"gaps", budget.gaps},
          {"coverage", budget.coverage},
          {"standard_k", or_null(budget.standard_k)},
          {"degrees_of_freedom", or_null(budget.degrees_of_freedom)},
          {"factor", or_null(budget.factor)},
          {"expanded_k", or_null(budget.expanded_k)}};
}

Json verdict_json(const results::Verdict& verdict) {
  return {{"answer", name(verdict.answer)},
          {"tolerance", verdict.tolerance},
          {"limit_k", or_null(verdict.limit_k)},
          {"conformance", or_null(verdict.conformance)},
          {"why", verdict.why}};
}

Json item_json(const results::Item& item, const Results& results) {
  Json out = readings_json(item.readings, results);
  out["error_k"] = or_null(item.error_k);
  out["error_sd_k"] = or_null(item.error_sd_k);
  out["standard_error_k"] = or_null(item.standard_error_k);
  out["reference_outside"] = item.reference_outside;
  out["budget"] = item.budget ? budget_json(*item.budget) : Json(nullptr);
  out["verdict"] = item.verdict ? verdict_json(*item.verdict) : Json(nullptr);
  return out;
}

Json reference_json(const results::Reference& reference, const Results& results) {
  Json each = Json::array();
  for (const auto& one : reference.each) each.push_back(readings_json(one, results));
  return {{"n", reference.n},
          {"mean_c", or_null(reference.mean_c)},
          {"sd_k", or_null(reference.sd_k)},
          {"drift_k", or_null(reference.drift_k)},
          {"difference_k", or_null(reference.difference_k)},
          {"missing", reference.missing},
          {"each", std::move(each)}};
}

Json direction_json(results::Direction direction) {
  return direction == results::Direction::unknown ? Json(nullptr) : Json(name(direction));
}

Json plateau_json(const results::Plateau& plateau, const Results& results) {
  Json items = Json::array(), junctions = Json::array();
  for (const auto& item : plateau.items) items.push_back(item_json(item, results));
  for (const auto& one : plateau.junctions) junctions.push_back(readings_json(one, results));
  return {{"plateau", plateau.index},
          {"setpoint_c", plateau.setpoint_c},
          {"source", plateau.source},
          {"outcome", plateau.outcome},
          {"direction", direction_json(plateau.direction)},
          {"why", plateau.why},
          {"first_sweep", or_null(plateau.first_sweep)},
          {"last_sweep", or_null(plateau.last_sweep)},
          {"sweeps", plateau.sweeps},
          {"from_s", or_null(plateau.from_s)},
          {"to_s", or_null(plateau.to_s)},
          {"reference", reference_json(plateau.reference, results)},
          {"items", std::move(items)},
          {"junctions", std::move(junctions)}};
}

Json visits_json(const results::Visits& visits) {
  return {{"n", visits.n}, {"mean_k", or_null(visits.mean_k)}};
}

Json revisited_json(const results::Revisited& revisited, const Results& results) {
  const auto& channel = results.channels[revisited.channel];
  return {{"channel", revisited.channel},
          {"name", channel.name},
          {"serial", channel.serial},
          {"setpoint_c", revisited.setpoint_c},
          {"source", revisited.source},
          {"up", visits_json(revisited.up)},
          {"down", visits_json(revisited.down)},
          {"difference_k", or_null(revisited.difference_k)},
          {"between_sd_k", or_null(revisited.between_sd_k)},
          {"degrees_of_freedom", revisited.degrees_of_freedom}};
}

Json channel_json(const results::Channel& channel, std::size_t index) {
  return {{"channel", index},
          {"name", channel.name},
          {"role", name(channel.role)},
          {"measures", nightwell::name(channel.measures)},
          {"serial", channel.serial},
          {"type", channel.type},
          {"certificate", channel.certificate},
          {"calibrated", channel.calibrated},
          {"due", channel.due},
          {"u95_k", or_null(channel.u95_k)},
          {"lowest_c", channel.lowest_c},
          {"highest_c", channel.highest_c},
          {"left_out", or_null(channel.left_out)}};
}

Json decision_json(const Results& results) {
  if (!results.lab_budget) return nullptr;
  const auto& budget = *results.lab_budget;
  Json out{{"rule", name(budget.rule.kind)}, {"source", budget.rule_source}};
  if (budget.rule.kind == uncertainty::RuleKind::largest_risk) out["risk"] = budget.rule.largest_risk;
  return out;
}

Json results_json(const Results& results) {
  Json channels = Json::array(), plateaus = Json::array(), unclosed = Json::array(), findings = Json::array(),
       again = Json::array();
  for (std::size_t i = 0; i < results.channels.size(); ++i) channels.push_back(channel_json(results.channels[i], i));
  for (const auto& plateau : results.plateaus) plateaus.push_back(plateau_json(plateau, results));
  for (const auto& plateau : results.unclosed)
    unclosed.push_back({{"plateau", plateau.index}, {"setpoint_c", plateau.setpoint_c}});
  for (const auto& revisited : results.revisited) again.push_back(revisited_json(revisited, results));
  for (const auto& finding : results.findings)
    findings.push_back({{"channel", finding.channel}, {"finding", finding.finding}, {"text", finding.text}});
  const auto& journal = results.verification;
  return {{"format", "nightwell-results/1"},
          {"run", results.run},
          {"job", results.job},
          {"customer_reference", results.customer_reference},
          {"profile", results.profile},
          {"bench", results.bench},
          {"program", {{"name", results.program_name}, {"version", results.program_version}}},
          {"host", results.host},
          {"speed", results.speed},
          {"opened_utc", results.opened_utc},
          {"last_utc", results.last_utc},
          {"ending", or_null(results.ending)},
          {"ending_why", results.ending_why},
          {"journal",
           {{"lines", journal.lines},
            {"bytes", journal.bytes},
            {"head", journal.head},
            {"sealed_by", journal.seal ? or_null(journal.seal->key) : Json(nullptr)},
            {"torn_bytes", journal.torn ? journal.torn->bytes.size() : 0}}},
          {"accepted_overdue", results.accepted_overdue},
          {"decision", decision_json(results)},
          {"channels", std::move(channels)},
          {"plateaus", std::move(plateaus)},
          {"unclosed", std::move(unclosed)},
          {"revisited", std::move(again)},
          {"findings", std::move(findings)}};
}

}  // namespace

std::string json(const Results& results) {
  // Text from a journal is UTF-8 by then; `replace` is for results that were put together by hand.
  return results_json(results).dump(2, ' ', true, Json::error_handler_t::replace) + "\n";
}

}  // namespace nightwell::report
