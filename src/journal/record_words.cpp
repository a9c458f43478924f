#include "journal/record_words.hpp"

#include <algorithm>
#include <ctime>
#include <iterator>
#include <string_view>

#include "journal/look.hpp"
#include "journal/wording.hpp"

namespace nightwell::journal {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t values_shown = 4;  // of a sweep; the rest is counted

// ": why", or nothing where no reason is given.
std::string because(const Json& body, const char* key = "why") {
  const std::string why = text_at(body, key);
  return why.empty() ? "" : ": " + why;
}

std::string degrees(const Json& body, const char* key) {
  const auto t_c = number_at(body, key);
  return t_c ? shortest(*t_c) + " °C" : "-";
}

std::string kelvin(const Json& body, const char* key) {
  const auto k = number_at(body, key);
  return k ? shortest(*k) + " K" : "-";
}

std::string output(const Json& body) {
  const auto on = flag_at(body, "output");
  return !on ? "output unknown" : *on ? "output on" : "output off";
}

// "3 items", "1 item"
std::string counted(std::size_t count, std::string_view what) {
  return std::to_string(count) + " " + std::string(what) + (count == 1 ? "" : "s");
}

std::string measured(double value, std::string_view measures) {
  if (measures == "voltage") return fixed(value * 1e3, 4) + " mV";
  if (measures == "resistance") return fixed(value, 4) + " ohm";
  if (measures == "current") return fixed(value * 1e3, 4) + " mA";
  if (measures == "temperature") return fixed(value, 3) + " °C";
  return shortest(value);
}

std::string say_phase(const Json& body, const std::string& place) {
  std::string out = words(raw_text_at(body, "phase"));
  if (!place.empty()) out += ", " + place;
  return out + because(body);
}

std::string say_command(const Json& body) {
  std::string out = text_at(body, "source");
  if (number_at(body, "target_c")) out += " to " + degrees(body, "target_c");
  if (flag_at(body, "output")) out += ", " + output(body);
  return out + because(body);
}

std::string say_source(const Json& body) {
  std::string out = text_at(body, "source") + " at " + degrees(body, "temperature_c") + ", target " +
                    degrees(body, "target_c") + ", " + output(body);
  if (const auto s = number_at(body, "lease_left_s"); s && *s > 0) out += ", lease " + duration_text(*s);
  return out;
}

std::string say_person(const Json& body) {
  std::string out = text_at(body, "request");
  if (const auto who = text_at(body, "who"); !who.empty()) out += " by " + who;
  return out + because(body);
}

std::string say_ask(const Json& body) {
  return "asked of a person" + because(body, "text");
}

std::string say_fault(const Json& body) {
  return text_at(body, "instrument") + " " + words(raw_text_at(body, "code")) + because(body, "text");
}

std::string say_park(const Json& body) {
  std::string out = text_at(body, "source");
  if (flag_at(body, "untouched").value_or(false))
    out += " was never touched by this run";
  else
    out += flag_at(body, "confirmed").value_or(false) ? " is parked and safe" : " NOT CONFIRMED as parked";
  if (const auto cause = words(raw_text_at(body, "cause")); !cause.empty()) out += ", " + cause;
  return out + because(body, "text");
}

std::string seconds_text(const Json& body, const char* key) {
  const auto s = number_at(body, key);
  return s ? fixed(*s, 3) + " s" : "-";
}

std::string say_disk(const Json& body) {
  std::string out = counted(count_at(body, "syncs").value_or(0), "sync") + ", mean " + seconds_text(body, "mean_s") +
                    ", largest " + seconds_text(body, "largest_s") + "; at most " +
                    counted(count_at(body, "queued_largest").value_or(0), "line") + " waiting";
  if (const auto behind = count_at(body, "copy_behind_bytes"); behind && *behind > 0)
    out += "; the second copy is behind by " + counted(*behind, "byte");
  if (const Json& again = at(body, "asked_again"); again.is_object())
    for (const auto& [scanner, times] : again.items())
      if (const auto count = count_of(times); count && *count > 0)
        out += "; " + shown(scanner) + " asked again " + counted(*count, "time");
  return out;
}

std::string say_hook(const Json& body) {
  std::string out = text_at(body, "hook") + " told of " + words(raw_text_at(body, "event"));
  if (const auto n = count_at(body, "record")) out += " (record " + std::to_string(*n) + ")";
  const std::string outcome = raw_text_at(body, "outcome");
  if (outcome == "done") return out + ", " + seconds_text(body, "took_s") + because(body, "text");
  out += ", NOT DONE: " + words(outcome);
  if (const auto code = count_at(body, "exit")) out += ", exit code " + std::to_string(*code);
  if (const auto signal = count_at(body, "signal")) out += ", by signal " + std::to_string(*signal);
  return out + ", " + seconds_text(body, "took_s") + because(body, "text");
}

std::string say_seal(const Json& body) {
  const std::string key = text_at(body, "key");
  return key.empty() ? "nobody signed" : "signed with " + text_at(body, "algorithm") + " by " + key;
}

// "2026-11-25 21:15:03+0100"; a label of another shape as utc_text() has it.
std::string local_text(const std::string& label) {
  std::tm utc{}, here{};
  if (::strptime(label.c_str(), "%Y-%m-%dT%H:%M:%S", &utc) == nullptr) return utc_text(label);
  const std::time_t at = ::timegm(&utc);
  char text[40];
  if (::localtime_r(&at, &here) == nullptr || std::strftime(text, sizeof text, "%Y-%m-%d %H:%M:%S%z", &here) == 0)
    return utc_text(label);
  return text;
}

std::string number_of_plateau(const Json& index) {
  const auto number = count_of(index);
  return number ? "plateau " + std::to_string(*number + 1) : "";
}

constexpr std::string_view known_kinds[] = {
    "opening", "plan",  "card",    "budget",  "plateau_plan", "identity", "opened",  "failure", "phase",  "command",
    "source",  "sweep", "tick",    "person",  "ask",          "fault",    "guard",   "plateau", "park",   "left_out",
    "survey",  "note",  "storage", "overdue", "disk",         "hook",     "closing", "seal",    "dialect"};

}  // namespace

bool is_known_kind(std::string_view kind) {
  return std::find(std::begin(known_kinds), std::end(known_kinds), kind) != std::end(known_kinds);
}

std::string RecordWords::line(const Record& record) {
  const std::string words_of_it = said(record);
  std::string number = std::to_string(record.n);
  if (number.size() < 6) number.insert(0, 6 - number.size(), ' ');
  std::string out = number + "  " + (times_ == Times::utc ? utc_text(record.utc) : local_text(record.utc)) + "  " +
                    padded(words(record.kind), 12) + "  " + words_of_it;
  out.erase(out.find_last_not_of(' ') + 1);
  return out;
}

std::string RecordWords::said(const Record& record) {
  learn(record);
  return say(record);
}

void RecordWords::learn(const Record& record) {
  const Json& body = record.body;
  if (record.kind == "opening") {
    for (const Json& name : list_at(body, "channels"))
      channels_.push_back({name.is_string() ? shown(name.get<std::string>()) : "", ""});
    if (const Json& orders = at(body, "orders"); orders.is_object())
      for (const auto& [name, order] : orders.items()) {
        auto& indices = orders_.emplace_back(name, std::vector<std::size_t>{}).second;
        for (const Json& index : order) indices.push_back(count_of(index).value_or(channels_.size()));
      }
  } else if (record.kind == "card") {
    if (const auto index = count_at(body, "channel"); index && *index < channels_.size())
      channels_[*index].measures = raw_text_at(body, "measures");
  }
}

std::string RecordWords::say(const Record& record) const {
  const Json& body = record.body;
  const std::string& kind = record.kind;
  if (kind == "opening") return say_opening(body);
  if (kind == "plan") return say_plan(body);
  if (kind == "card") return say_card(body);
  if (kind == "plateau_plan") return say_plateau_plan(body);
  if (kind == "budget") return say_budget(at(body, "budget"));
  if (kind == "identity") return text_at(body, "instrument") + " is " + text_at(body, "text");
  if (kind == "opened") return "every instrument answered";
  if (kind == "failure") return text_at(body, "cause");
  if (kind == "phase") return say_phase(body, plateau(body));
  if (kind == "command") return say_command(body);
  if (kind == "source") return say_source(body);
  if (kind == "sweep") return say_sweep(body);
  if (kind == "tick") return "time alone decided";
  if (kind == "person") return say_person(body);
  if (kind == "ask") return say_ask(body);
  if (kind == "fault") return say_fault(body);
  if (kind == "guard") return words(raw_text_at(body, "guard")) + because(body, "text");
  if (kind == "plateau") return say_plateau(body);
  if (kind == "park") return say_park(body);
  if (kind == "left_out") return channel_name(at(body, "channel")) + because(body);
  if (kind == "survey") return say_survey(body);
  if (kind == "disk") return say_disk(body);
  if (kind == "hook") return say_hook(body);
  if (kind == "note" || kind == "storage" || kind == "overdue") return text_at(body, "text");
  if (kind == "seal") return say_seal(body);
  if (kind == "closing") return words(raw_text_at(body, "ending")) + because(body);
  return "";
}

std::string RecordWords::channel_name(const Json& index) const {
  const auto i = count_of(index);
  if (!i) return index.is_string() ? shown(index.get<std::string>()) : "?";
  return *i < channels_.size() ? channels_[*i].name : "channel " + std::to_string(*i);
}

std::string RecordWords::plateau(const Json& body) const {
  const std::string number = number_of_plateau(at(body, "plateau"));
  if (!number_at(body, "setpoint_c")) return number;
  return (number.empty() ? "" : number + " ") + "at " + degrees(body, "setpoint_c");
}

std::string RecordWords::say_opening(const Json& body) const {
  const Json& program = at(body, "program");
  std::string out = text_at(body, "run") + ": profile " + text_at(body, "profile") + ", bench " +
                    text_at(body, "bench") + ", job " + text_at(body, "job") + ", " +
                    counted(channels_.size(), "channel") + "; " + text_at(program, "name") + " " +
                    text_at(program, "version") + " on " + text_at(body, "host");
  if (const auto speed = number_at(body, "speed"); speed && *speed != 1)
    out += ", clock " + shortest(*speed) + " times as fast";
  std::string overdue;
  for (const Json& serial : list_at(body, "accepted_overdue"))
    if (serial.is_string()) overdue += (overdue.empty() ? "" : ", ") + shown(serial.get<std::string>());
  return overdue.empty() ? out : out + "; overdue, accepted: " + overdue;
}

std::string RecordWords::say_plan(const Json& body) const {
  std::string out =
      counted(at(body, "scanners").size(), "scanner") + ", " + counted(at(body, "sources").size(), "source");
  if (const auto s = number_at(at(body, "sampling"), "every_s")) out += ", reference every " + shortest(*s) + " s";
  if (at(body, "survey").is_object()) out += ", survey";
  return out;
}

std::string RecordWords::say_card(const Json& body) const {
  std::string out = text_at(body, "name") + " " + text_at(body, "role") + " " + text_at(body, "serial");
  if (const auto type = text_at(body, "type"); !type.empty()) out += " (" + type + ")";
  out += ", " + text_at(body, "measures") + " on " + text_at(body, "scanner");
  if (const auto address = number_at(body, "address")) out += " " + shortest(*address);
  if (const auto due = text_at(body, "due"); !due.empty()) out += ", due " + due;
  return out;
}

std::string RecordWords::say_budget(const Json& budget) const {
  std::string out = "coverage";
  if (const auto coverage = number_at(budget, "coverage")) out += " " + shortest(*coverage * 100) + " %";
  return out + ", decision rule " + words(raw_text_at(at(budget, "decision"), "rule"));
}

std::string RecordWords::say_plateau_plan(const Json& body) const {
  const Json& settle = at(body, "settle");
  const Json& capture = at(body, "capture");
  std::string out = plateau(body) + " on " + text_at(body, "source") + ", band ±" + kelvin(body, "band_k");
  if (const auto s = number_at(settle, "window_s")) out += ", window " + duration_text(*s);
  out += ", drift " + kelvin(settle, "largest_drift_k") + ", spread " + kelvin(settle, "largest_spread_k");
  if (const auto sweeps = count_at(capture, "sweeps"))
    out += ", " + counted(*sweeps, text_at(capture, "order") + " sweep");
  return out;
}

std::string RecordWords::value(const Json& body, std::size_t position, const std::vector<std::size_t>& order) const {
  const std::size_t index = position < order.size() ? order[position] : channels_.size();
  std::string out = index < channels_.size() ? channels_[index].name : "?";
  const std::string key = std::to_string(position);
  if (const Json& fault = at(at(body, "faults"), key.c_str()); fault.is_object())
    return out + " " + words(raw_text_at(fault, "code"));
  const auto number = [&](const char* list) -> std::optional<double> {
    const Json& values = list_at(body, list);
    if (position >= values.size() || !values[position].is_number()) return std::nullopt;
    return values[position].get<double>();
  };
  if (const auto t_c = number("t_c")) return out + " " + fixed(*t_c, 3) + " °C";
  if (const auto raw = number("raw"))
    return out + " " + measured(*raw, index < channels_.size() ? channels_[index].measures : "");
  return out + " -";
}

std::string RecordWords::say_sweep(const Json& body) const {
  static const std::vector<std::size_t> unknown;
  const std::string order_name = raw_text_at(body, "order");
  const auto found =
      std::find_if(orders_.begin(), orders_.end(), [&](const auto& order) { return order.first == order_name; });
  const auto& order = found == orders_.end() ? unknown : found->second;
  std::string out = text_at(body, "purpose");
  if (const auto number = number_of_plateau(at(body, "plateau")); !number.empty()) out += ", " + number;
  if (const auto number = count_at(body, "sweep")) out += ", sweep " + std::to_string(*number);
  out += ":";
  const std::size_t count = list_at(body, "raw").size();
  for (std::size_t i = 0; i < std::min(count, values_shown); ++i) out += (i == 0 ? " " : ", ") + value(body, i, order);
  if (count > values_shown) out += " and " + std::to_string(count - values_shown) + " more";
  if (const Json& faults = at(body, "faults"); faults.is_object() && !faults.empty())
    out += "; " + counted(faults.size(), "fault");
  return out;
}

std::string RecordWords::say_plateau(const Json& body) const {
  std::string out = plateau(body) + " " + words(raw_text_at(body, "outcome"));
  if (const Json& window = at(body, "window"); window.is_object()) {
    if (const auto mean = number_at(window, "mean_c")) out += ", mean " + fixed(*mean, 4) + " °C";
    if (const auto drift = number_at(window, "drift_k")) out += ", drift " + fixed(*drift, 4) + " K";
    if (const auto spread = number_at(window, "spread_k")) out += ", spread " + fixed(*spread, 4) + " K";
  }
  const auto first = count_at(body, "first_sweep"), last = count_at(body, "last_sweep");
  if (first && last) out += ", sweeps " + std::to_string(*first) + " to " + std::to_string(*last);
  return out + because(body);
}

std::string RecordWords::say_survey(const Json& body) const {
  const Json& findings = list_at(body, "findings");
  if (findings.empty()) return "nothing found wrong";
  std::string out = counted(findings.size(), "finding") + ":";
  for (const Json& finding : findings)
    out += (&finding == &findings.front() ? " " : ", ") + channel_name(at(finding, "channel")) + " " +
           words(raw_text_at(finding, "finding"));
  return out;
}

}  // namespace nightwell::journal
