#include "daemon/records.hpp"

#include <nlohmann/json.hpp>

#include "journal/journal.hpp"
#include "journal/or_null.hpp"
#include "journal/plain_text.hpp"
#include "plan/plan_json.hpp"
#include "sequence/conversion.hpp"
#include "sequence/reading_order.hpp"

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

Json orders_json(const Plan& plan) {
  Json orders;
  orders[std::string(references_order)] = reference_visits(plan);
  for (ReadingOrder order : {ReadingOrder::straight, ReadingOrder::mirrored, ReadingOrder::bracketed})
    orders[std::string(name(order))] = visits(plan, order);
  return orders;
}

RecordText opening_record(const Plan& plan, const OpeningFacts& facts) {
  Json opening;
  opening["format"] = journal::format_name;
  opening["run"] = facts.run;
  opening["program"] = {{"name", "nightwelld"}, {"version", NIGHTWELL_VERSION}};
  opening["host"] = facts.host;
  opening["boot_id"] = facts.boot_id;
  opening["speed"] = facts.speed;
  opening["profile"] = plan.profile;
  opening["bench"] = plan.bench;
  opening["job"] = plan.job;
  opening["customer_reference"] = plan.customer_reference;
  opening["files"] = plan.files;
  opening["accepted_overdue"] = plan.accepted_overdue;
  Json names = Json::array();
  for (const auto& channel : plan.channels) names.push_back(channel.name);
  opening["channels"] = std::move(names);
  opening["orders"] = orders_json(plan);
  return {"opening", std::move(opening)};
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

std::vector<RecordText> opening_records(const Plan& plan, const OpeningFacts& facts) {
  std::vector<RecordText> records{opening_record(plan, facts), {"plan", plan::plan_record(plan)}};
  for (std::size_t i = 0; i < plan.channels.size(); ++i) records.push_back({"card", plan::card_record(plan, i)});
  for (auto& fields : plan::dialect_records(plan)) records.push_back({"dialect", std::move(fields)});
  if (!plan.budget.empty()) records.push_back({"budget", plan::budget_record(plan)});
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i)
    records.push_back({"plateau_plan", plan::plateau_record(plan, i)});
  records.push_back(
      {"phase", {{"phase", "opening"}, {"plateau", nullptr}, {"setpoint_c", nullptr}, {"why", "started"}}});
  return records;
}

RecordText event_record(const Plan& plan, const Event& event, const std::optional<StartSweep>& asked) {
  return std::visit(EventRecord{plan, asked}, event.what);
}

std::optional<RecordText> action_record(const Plan& plan, const Action& action) {
  return std::visit(ActionRecord{plan}, action);
}

RecordText overdue_record(const Overdue& late) {
  return {"overdue",
          {{"phase", name(late.phase)},
           {"plateau", or_null(late.plateau)},
           {"lasted_s", to_seconds(late.lasted)},
           {"expected_s", late.expected ? Json(to_seconds(*late.expected)) : Json(nullptr)},
           {"text", late.text}}};
}

RecordText disk_record(const journal::JournalFigures& figures, const std::vector<AskedAgain>& asked_again) {
  const auto seconds = [](auto length) { return std::chrono::duration<double>(length).count(); };
  const bool any = figures.syncs > 0;
  Json scanners = Json::object();
  for (const auto& [scanner, times] : asked_again) scanners[scanner] = times;
  return {"disk",
          {{"syncs", figures.syncs},
           {"mean_s", any ? Json(seconds(figures.total) / static_cast<double>(figures.syncs)) : Json(nullptr)},
           {"largest_s", any ? Json(seconds(figures.largest)) : Json(nullptr)},
           {"queued_largest", figures.most_queued},
           {"copy_behind_bytes", or_null(figures.copy_behind_bytes)},
           {"asked_again", std::move(scanners)}}};
}

RecordText hook_record(const std::string& hook, const HookReport& report) {
  return {"hook",
          {{"hook", hook},
           {"event", name(report.call->event)},
           {"record", or_null(report.call->record)},
           {"outcome", name(report.outcome)},
           {"exit", or_null(report.end.exit)},
           {"signal", or_null(report.end.signal)},
           {"took_s", to_seconds(report.took)},
           {"text", hook_said(report, hook_text_kept)}}};
}

HookCall call_without_record(HookEvent event, const std::string& run, const std::string& bench,
                             const std::string& journal, const std::string& utc, const std::string& text) {
  const Json line{{"utc", utc}, {"kind", name(event)}, {"run", run}, {"text", text}};
  return {event, run, bench, journal, std::nullopt, line.dump(-1, ' ', true, Json::error_handler_t::replace) + "\n"};
}

std::string hook_said(const HookReport& report, std::size_t kept) {
  std::string text = report.text;
  while (!text.empty() && (text.back() == '\n' || text.back() == ' ')) text.pop_back();
  const bool cut = text.size() > kept;
  if (cut) {
    std::size_t at = kept;
    while (at > 0 && (static_cast<unsigned char>(text[at]) & 0xC0) == 0x80) --at;  // not within a character
    text.resize(at);
  }
  return journal::printable(text) + (cut ? " …" : "");
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
