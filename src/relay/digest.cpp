#include "relay/digest.hpp"

#include <algorithm>
#include <array>

#include "journal/look.hpp"
#include "results/card.hpp"
#include "results/course.hpp"

namespace nightwell::relay {

namespace {

using journal::at;
using journal::count_at;
using journal::flag_at;
using journal::list_at;
using journal::number_at;
using journal::raw_text_at;

constexpr std::size_t most_channels = 2000;

// What a supervisor wants to see of the night in the order it happened; the rest is readings and plans.
bool is_event(std::string_view kind) {
  static constexpr std::array<std::string_view, 17> kinds{
      "opened", "failure", "phase",    "person", "ask",     "fault", "guard",   "plateau", "park",
      "note",   "storage", "left_out", "survey", "closing", "seal",  "overdue", "hook"};
  return std::find(kinds.begin(), kinds.end(), kind) != kinds.end();
}

// Codes come from a file: a journal full of new ones must not fill the memory.
void count_code(std::map<std::string, std::uint64_t, std::less<>>& counts, const std::string& code,
                std::uint64_t by = 1) {
  const bool fits = counts.size() < most_codes || counts.contains(code);
  counts[fits && !code.empty() ? code : "other"] += by;
}

// That a hook was told something is of interest where it failed.
bool is_quiet(const journal::Record& record) {
  return record.kind == "hook" && raw_text_at(record.body, "outcome") == "done";
}

std::uint64_t sum(const std::map<std::string, std::uint64_t, std::less<>>& counts) {
  std::uint64_t out = 0;
  for (const auto& [code, count] : counts) out += count;
  return out;
}

}  // namespace

bool Digest::park_confirmed() const {
  const auto is_safe = [](const SourceDigest& source) {
    return source.attended || (source.park && (source.park->confirmed || source.park->untouched));
  };
  return knows_sources && questions.empty() && std::all_of(sources.begin(), sources.end(), is_safe);
}

bool Digest::park_unseen() const {
  return std::any_of(sources.begin(), sources.end(), [](const SourceDigest& source) {
    return source.park && source.park->untouched && !source.park->confirmed;
  });
}

std::size_t Digest::count(std::string_view outcome) const {
  return static_cast<std::size_t>(std::count_if(plateaus.begin(), plateaus.end(),
                                                [&](const PlateauDigest& one) { return one.outcome == outcome; }));
}

std::uint64_t Digest::all_reading_faults() const {
  return sum(reading_faults);
}
std::uint64_t Digest::all_source_faults() const {
  return sum(source_faults);
}

void Digester::take(const journal::Record& record) {
  arrive(record.n, record.utc, record.up);
  const Json& body = record.body;
  const std::string& kind = record.kind;
  if (kind == "opening") take_opening(record);
  if (kind == "card") take_card(record);
  if (kind == "plan") take_plan(body);
  if (kind == "plateau_plan") take_plateau_plan(body);
  if (kind == "phase") take_phase(body);
  if (kind == "command") take_command(body);
  if (kind == "source") take_source(body);
  if (kind == "plateau") take_plateau(body);
  if (kind == "park") take_park(body);
  if (kind == "disk") take_disk(body);
  if (kind == "ask") take_ask(body);
  if (kind == "person" && raw_text_at(body, "request") == "ready") out_.questions.clear();
  if (kind == "fault") count_code(out_.source_faults, raw_text_at(body, "code"));
  if (kind == "guard") ++out_.guards;
  if (kind == "overdue") out_.overdue = raw_text_at(body, "text");
  if (kind == "hook") count_code(out_.hooks, raw_text_at(body, "outcome"));
  if (kind == "failure") ++out_.failures;
  if (kind == "storage") count_code(out_.storage_events, raw_text_at(body, "event"));
  if (kind == "survey") out_.survey_findings = list_at(body, "findings").size();
  if (kind == "left_out" && out_.left_out.size() < most_left_out) out_.left_out.push_back(raw_text_at(body, "channel"));
  if (kind == "closing") {
    out_.closed = true;
    out_.ending = raw_text_at(body, "ending");
    out_.ending_why = raw_text_at(body, "why");
    // "Switch it off by hand" is never answered: a parked run takes no answers, and what it asked for is still to be done.
    if (!out_.parked()) out_.questions.clear();
    out_.overdue.clear();
  }
  if (kind == "seal") out_.seal_algorithm = raw_text_at(body, "algorithm");
  if (kind == "sweep") {
    out_.odd_replies += at(body, "odd").size();
    std::optional<Error> wrong;
    const results::Fields fields(record, wrong);
    const journal::SweepRecord sweep = results::sweep_record_of(fields, record);
    if (!wrong) take_sweep(sweep);
  }
  take_event(record);
}

void Digester::take(const journal::SweepRecord& record) {
  arrive(record.n, record.utc, record.up);
  take_sweep(record);
}

void Digester::arrive(std::uint64_t n, std::string_view utc, Instant up) {
  now_.utc = utc;
  now_.up_s = up_s(up);
  out_.records = n + 1;
  out_.newest = now_;
  count_rate(now_.up_s, 0);
}

void Digester::take_opening(const journal::Record& record) {
  const Json& body = record.body;
  out_.run = raw_text_at(body, "run");
  out_.profile = raw_text_at(body, "profile");
  out_.bench = raw_text_at(body, "bench");
  out_.job = raw_text_at(body, "job");
  out_.host = raw_text_at(body, "host");
  out_.speed = number_at(body, "speed").value_or(1);
  out_.opened = now_;
  const std::size_t channels = std::min(list_at(body, "channels").size(), most_channels);
  channels_.assign(channels, {});
  converter_.reset();
  cards_ = 0;
  std::optional<Error> wrong;
  orders_ = results::orders_of(results::Fields(record, wrong), channels);
  if (wrong) orders_.clear();
}

// The reference is worked out once every channel has its card; where one cannot be read, it is not.
void Digester::take_card(const journal::Record& record) {
  const auto index = count_at(record.body, "channel");
  if (!index || *index >= channels_.size() || converter_) return;
  std::optional<Error> wrong;
  results::Channel card = results::card_of(results::Fields(record, wrong), channels_.size());
  if (wrong) return;
  channels_[*index] = std::move(card);
  if (++cards_ == channels_.size()) converter_.emplace(channels_, results::SweepConverter::Which::references);
}

void Digester::take_plan(const Json& body) {
  const Json& planned = at(body, "sources");
  if (!planned.is_array()) return;
  out_.knows_sources = true;
  for (const Json& one : planned)
    if (SourceDigest* known = source(raw_text_at(one, "name")))
      known->attended = flag_at(one, "attended").value_or(false);
}

void Digester::take_plateau_plan(const Json& body) {
  const auto index = count_at(body, "plateau");
  if (!index || *index != out_.plateaus.size() || *index >= most_plateaus) return;
  PlateauDigest plateau;
  plateau.setpoint_c = number_at(body, "setpoint_c").value_or(0);
  plateau.source = raw_text_at(body, "source");
  out_.plateaus.push_back(std::move(plateau));
}

void Digester::take_phase(const Json& body) {
  out_.phase = raw_text_at(body, "phase");
  out_.phase_why = raw_text_at(body, "why");
  out_.phase_since = now_;
  out_.overdue.clear();
  out_.plateau = count_at(body, "plateau");
  out_.setpoint_c = number_at(body, "setpoint_c");
  if (out_.phase != "waiting" && out_.phase != "held") out_.questions.clear();
  auto& changes = out_.setpoints;
  if (!changes.empty() && changes.back().setpoint_c == out_.setpoint_c) return;
  // The middle of a night of endless changes is what can be missed.
  if (changes.size() >= most_setpoints) changes.erase(changes.begin() + most_setpoints / 2);
  changes.push_back({now_.up_s, out_.setpoint_c});
}

SourceDigest* Digester::source(const std::string& name) {
  for (SourceDigest& known : out_.sources)
    if (known.name == name) return &known;
  if (out_.sources.size() >= most_sources) return nullptr;
  out_.sources.emplace_back().name = name;
  return &out_.sources.back();
}

void Digester::take_command(const Json& body) {
  SourceDigest* told = source(raw_text_at(body, "source"));
  if (told == nullptr) return;
  told->target_c = number_at(body, "target_c");
  told->output = flag_at(body, "output");
  // Heat again: what was said of an earlier park no longer holds.
  if (told->output.value_or(false)) told->park.reset();
}

void Digester::take_source(const Json& body) {
  SourceDigest* told = source(raw_text_at(body, "source"));
  if (told == nullptr) return;
  told->target_c = number_at(body, "target_c");
  told->temperature_c = number_at(body, "temperature_c");
  told->output = flag_at(body, "output");
  told->read = now_;
}

void Digester::take_plateau(const Json& body) {
  const auto index = count_at(body, "plateau");
  if (!index || *index >= out_.plateaus.size()) return;
  PlateauDigest& plateau = out_.plateaus[*index];
  plateau.outcome = raw_text_at(body, "outcome");
  plateau.why = raw_text_at(body, "why");
  const Json& window = at(body, "window");
  plateau.mean_c = number_at(window, "mean_c");
  plateau.drift_k = number_at(window, "drift_k");
  plateau.spread_k = number_at(window, "spread_k");
  plateau.closed = now_;
}

void Digester::take_park(const Json& body) {
  SourceDigest* told = source(raw_text_at(body, "source"));
  if (told == nullptr) return;
  told->park = ParkDigest{flag_at(body, "confirmed").value_or(false), flag_at(body, "untouched").value_or(false),
                          raw_text_at(body, "cause"), raw_text_at(body, "text"), now_};
}

void Digester::take_ask(const Json& body) {
  QuestionDigest question{raw_text_at(body, "text"), raw_text_at(body, "source"), now_};
  auto& open = out_.questions;
  std::erase_if(open, [&](const QuestionDigest& one) { return one.source == question.source; });
  if (open.size() < most_sources) open.push_back(std::move(question));
}

void Digester::take_disk(const Json& body) {
  if (!out_.disk) out_.disk.emplace();
  DiskDigest& disk = *out_.disk;
  const std::size_t syncs = count_at(body, "syncs").value_or(0);
  disk.syncs += syncs;
  disk.waited_s += number_at(body, "mean_s").value_or(0) * static_cast<double>(syncs);
  disk.largest_s = std::max(disk.largest_s, number_at(body, "largest_s").value_or(0));
  disk.copy_behind_bytes = number_at(body, "copy_behind_bytes");
  if (const Json& again = at(body, "asked_again"); again.is_object())
    for (const auto& [scanner, times] : again.items())
      count_code(out_.asked_again, scanner, journal::count_of(times).value_or(0));
}

void Digester::take_sweep(const journal::SweepRecord& record) {
  ++out_.sweeps;
  out_.readings += record.raw.size();
  for (const auto& fault : record.faults) count_code(out_.reading_faults, fault.code);
  count_rate(now_.up_s, record.raw.size());
  take_reference(record);
}

void Digester::take_reference(const journal::SweepRecord& record) {
  if (!converter_) return;
  const auto sweep = results::sweep_of(record, orders_);
  if (!sweep) return;
  const auto point = results::mean_reference(channels_, *sweep, converter_->temperatures_c(*sweep));
  out_.reference_lost = !point && out_.reference_c;
  if (!point) return;
  out_.reference_c = point->value;
  out_.reference_at = now_;
  out_.course.push_back(*point);
  if (out_.course.size() >= 2 * most_course_points) out_.course = results::decimated(out_.course, most_course_points);
}

void Digester::take_event(const journal::Record& record) {
  // All are read, also those that are not shown: names and units stand in the opening records.
  std::string text = words_.said(record);
  if (!is_event(record.kind) || is_quiet(record)) return;
  out_.events.push_back({now_, record.kind, journal::clip(text, longest_event)});
  if (out_.events.size() > most_events) out_.events.pop_front();
}

void Digester::count_rate(double now_s, std::uint64_t readings) {
  if (readings > 0) last_minute_.push_back({now_s, readings});
  last_minute_readings_ += readings;
  while (!last_minute_.empty() && last_minute_.front().up_s <= now_s - rate_over_s) {
    last_minute_readings_ -= last_minute_.front().readings;
    last_minute_.pop_front();
  }
  out_.readings_per_s = static_cast<double>(last_minute_readings_) / std::clamp(now_s, 1.0, rate_over_s);
}

}  // namespace nightwell::relay
