#include "daemon/records.hpp"

#include <nlohmann/json.hpp>

#include "journal/or_null.hpp"
#include "sequence/conversion.hpp"

namespace nightwell::daemon {

namespace {

using Json = nlohmann::ordered_json;
using journal::or_null;
using namespace sequence;  // NOLINT: this file is about its types only

// Captures also carry what the values were turned into, by the junction readings of the same sweep alone: a reader
// can follow it without the rest of the night.
Json temperatures(const Plan& plan, const SweepFinished& sweep) {
  const std::vector<std::optional<double>> nothing_known(plan.channels.size());
  Json out = Json::array();
  for (const auto& reading : convert(plan, sweep.readings, nothing_known)) out.push_back(or_null(reading.t_c));
  return out;
}

RecordText sweep_record(const Plan& plan, const SweepFinished& sweep, const std::optional<StartSweep>& asked) {
  Json fields;
  fields["sweep"] = sweep.sweep;
  fields["order"] = asked ? asked->order : "";
  fields["purpose"] = asked ? name(asked->purpose) : "";
  fields["plateau"] = asked ? or_null(asked->plateau) : Json(nullptr);
  fields["started_s"] = up_s(sweep.started);
  Json at = Json::array(), raw = Json::array(), faults = Json::object(), odd = Json::object();
  for (std::size_t i = 0; i < sweep.readings.size(); ++i) {
    const auto& reading = sweep.readings[i];
    at.push_back(to_seconds(reading.at - sweep.started));
    raw.push_back(or_null(reading.raw));
    if (reading.fault) faults[std::to_string(i)] = {{"code", name(reading.fault->code)}, {"text", reading.fault->text}};
    if (!reading.odd_text.empty()) odd[std::to_string(i)] = reading.odd_text;
  }
  fields["at_s"] = std::move(at);
  fields["raw"] = std::move(raw);
  if (!faults.empty()) fields["faults"] = std::move(faults);
  if (!odd.empty()) fields["odd"] = std::move(odd);
  const bool captured = asked && (asked->purpose == SweepPurpose::capture || asked->purpose == SweepPurpose::window);
  if (captured) fields["t_c"] = temperatures(plan, sweep);
  return {"sweep", std::move(fields)};
}

struct EventRecord {
  const Plan& plan;
  const std::optional<StartSweep>& asked;

  RecordText operator()(const Opened&) const { return {"opened", Json::object()}; }
  RecordText operator()(const SweepFinished& sweep) const { return sweep_record(plan, sweep, asked); }
  RecordText operator()(const SourceRead& read) const {
    return {"source",
            {{"source", plan.sources[read.source].name},
             {"target_c", read.target_c},
             {"temperature_c", read.temperature_c},
             {"output", read.output},
             {"lease_left_s", read.lease_left_s}}};
  }
  RecordText operator()(const SourceParked& parked) const {
    return {"park",
            {{"source", plan.sources[parked.source].name},
             {"cause", parked.cause},
             {"confirmed", parked.confirmed},
             {"untouched", parked.untouched},
             {"text", parked.text}}};
  }
  RecordText operator()(const PersonAsked& person) const {
    return {"person", {{"request", name(person.request)}, {"who", person.who}, {"why", person.why}}};
  }
  RecordText operator()(const Failed& failed) const { return {"failure", {{"cause", failed.cause}}}; }
  RecordText operator()(const Tick&) const { return {"tick", Json::object()}; }
};

struct ActionRecord {
  const Plan& plan;
  using Maybe = std::optional<RecordText>;

  Maybe operator()(const PhaseChanged& phase) const {
    return RecordText{"phase",
                      {{"phase", name(phase.phase)},
                       {"plateau", or_null(phase.plateau)},
                       {"setpoint_c", or_null(phase.setpoint_c)},
                       {"why", phase.why}}};
  }
  Maybe operator()(const PlateauClosed& closed) const {
    return RecordText{"plateau",
                      {{"plateau", closed.plateau},
                       {"setpoint_c", closed.setpoint_c},
                       {"outcome", name(closed.outcome)},
                       {"first_sweep", or_null(closed.first_sweep)},
                       {"last_sweep", or_null(closed.last_sweep)},
                       {"window", closed.window ? window_json(*closed.window) : Json(nullptr)},
                       {"why", closed.why}}};
  }
  Maybe operator()(const GuardCrossed& guard) const {
    return RecordText{"guard", {{"guard", guard.guard}, {"text", guard.text}}};
  }
  Maybe operator()(const LeftOut& left) const {
    return RecordText{"left_out", {{"channel", plan.channels[left.channel].name}, {"why", left.why}}};
  }
  Maybe operator()(const Note& note) const { return RecordText{"note", {{"text", note.text}}}; }
  Maybe operator()(const SurveyDone& survey) const {
    Json findings = Json::array();
    for (const auto& finding : survey.findings)
      findings.push_back(
          {{"channel", plan.channels[finding.channel].name}, {"finding", finding.finding}, {"text", finding.text}});
    return RecordText{"survey", {{"findings", std::move(findings)}}};
  }
  Maybe operator()(const Command& command) const {
    return RecordText{"command",
                      {{"source", plan.sources[command.source].name},
                       {"target_c", command.target_c},
                       {"output", command.output},
                       {"why", command.why}}};
  }
  Maybe operator()(const StartSweep&) const { return std::nullopt; }
  Maybe operator()(const AskPerson& ask) const {
    return RecordText{
        "ask",
        {{"text", ask.text}, {"source", plan.sources[ask.source].name}, {"setpoint_c", or_null(ask.setpoint_c)}}};
  }
  Maybe operator()(const ParkAll&) const { return std::nullopt; }
  Maybe operator()(const Close& close) const {
    return RecordText{"closing", {{"ending", name(close.ending)}, {"why", close.why}}};
  }
};

}  // namespace

RecordText event_record(const Plan& plan, const Event& event, const std::optional<StartSweep>& asked) {
  return std::visit(EventRecord{plan, asked}, event.what);
}

std::optional<RecordText> action_record(const Plan& plan, const Action& action) {
  return std::visit(ActionRecord{plan}, action);
}

Json window_json(const WindowFacts& facts) {
  return {{"from_s", up_s(facts.from)},
          {"to_s", up_s(facts.to)},
          {"readings", facts.readings},
          {"minimum_c", facts.minimum_c},
          {"maximum_c", facts.maximum_c},
          {"mean_c", facts.mean_c},
          {"deviation_k", facts.deviation_k},
          {"drift_k", facts.drift_k},
          {"spread_k", facts.spread_k},
          {"worst_item", or_null(facts.worst_item)},
          {"worst_item_drift_k", facts.worst_item_drift_k}};
}

}  // namespace nightwell::daemon
