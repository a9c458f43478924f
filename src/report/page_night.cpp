// What the page says of the night: standards, plateaus as they were read, what happened.
#include <algorithm>

#include "report/method.hpp"
#include "report/numbers.hpp"
#include "report/page_data.hpp"

namespace nightwell::report {

namespace {

using results::Channel;
using results::Course;
using results::Plateau;
using results::PlateauCourse;
using results::Readings;
using results::Results;

PageData standard_entry(const Channel& channel) {
  PageData out;
  put(out, "name", channel.name);
  put(out, "role", std::string(name(channel.role)));
  put(out, "serial", or_dash(channel.serial));
  put(out, "type", or_dash(channel.type));
  put(out, "certificate", or_dash(channel.certificate));
  put(out, "calibrated", or_dash(channel.calibrated));
  put(out, "due", or_dash(channel.due));
  put(out, "u95", channel.u95_k ? exact(channel.u95_k) : "-");
  return out;
}

void put_standards(PageData& page, const Results& results, const Course& course) {
  std::vector<PageData> standards, identities;
  for (const Channel& channel : results.channels)
    if (channel.role != results::Role::item) standards.push_back(standard_entry(channel));
  for (const auto& identity : course.identities) {
    PageData entry;
    put(entry, "name", identity.instrument);
    put(entry, "text", identity.text);
    identities.push_back(entry);
  }
  put_list(page, "standards", standards);
  put_list(page, "identities", identities);
}

std::string marks_of(const Readings& readings, std::size_t reference_outside, const Channel& channel) {
  std::string out;
  const auto add = [&](const std::string& text) { out += (out.empty() ? "" : "; ") + text; };
  for (const auto& fault : readings.faults) add(std::to_string(fault.count) + " x " + fault.code);
  if (reference_outside > 0) add(std::to_string(reference_outside) + " against the nearest reference");
  if (readings.junction_outside > 0) add(std::to_string(readings.junction_outside) + " with the nearest junction");
  if (channel.left_out) add("left out");
  return out;
}

PageData reading_row(const Readings& readings, std::size_t reference_outside, const Results& results) {
  const Channel& channel = results.channels[readings.channel];
  const auto mk = [](std::optional<double> value_k) {
    return value_k ? shown_number(*value_k * 1e3, 1) : std::string("-");
  };
  PageData out;
  put(out, "name", channel.name);
  put(out, "role", std::string(name(channel.role)));
  put(out, "serial", or_dash(channel.serial));
  put(out, "n", std::to_string(readings.n));
  put(out, "raw", with_minus(raw_text(readings.raw_mean, channel.measures)));
  put(out, "mean", shown_number(readings.mean_c, 4));
  put(out, "sd", mk(readings.sd_k));
  put(out, "drift", mk(readings.drift_k));
  put(out, "marked", marks_of(readings, reference_outside, channel));
  return out;
}

std::string outcome_words(const std::string& outcome) {
  return outcome == "not_settled" ? "not settled" : outcome;
}

std::string plateau_words(const Plateau& plateau) {
  std::string out = plateau.why.empty() ? "" : "Closed because: " + plateau.why + ". ";
  if (plateau.sweeps == 0) return out + "No readings.";
  out += counted(plateau.sweeps, "sweep") + ", from " + shown_moment(plateau.from_s.value_or(0)) + " to " +
         shown_moment(plateau.to_s.value_or(0)) + " of the run. Reference " +
         shown_number(plateau.reference.mean_c, 4) + " °C, " + counted(plateau.reference.n, "reading");
  if (plateau.reference.drift_k) out += ", drift " + shown_number(*plateau.reference.drift_k * 1e3, 1) + " mK";
  if (plateau.reference.difference_k)
    out += "; first reference minus second " + shown_number(*plateau.reference.difference_k * 1e3, 1) + " mK";
  return out + ".";
}

std::string window_words(const PlateauCourse& plateau) {
  if (!plateau.window) return "";
  const auto& window = *plateau.window;
  const auto against = [](double found_k, double limit_k) {
    return shown_number(found_k * 1e3, 1) + " mK of " + shown_number(limit_k * 1e3, 1) + " mK allowed";
  };
  return "Settle window: mean " + shown_number(window.mean_c, 4) + " °C, drift " +
         against(window.drift_k, plateau.settle.largest_drift_k) + ", spread " +
         against(window.spread_k, plateau.settle.largest_spread_k) + ", as the run judged it.";
}

PageData plateau_entry(const Plateau& plateau, const Results& results, const Course& course) {
  PageData out;
  put(out, "number", std::to_string(plateau.index + 1));
  put(out, "setpoint", shown_number(plateau.setpoint_c, 2));
  put(out, "source", plateau.source);
  put(out, "outcome", outcome_words(plateau.outcome));
  put(out, "text", plateau_words(plateau));
  const auto planned = std::find_if(course.plateaus.begin(), course.plateaus.end(),
                                    [&](const PlateauCourse& one) { return one.index == plateau.index; });
  const bool found = planned != course.plateaus.end();
  put_drawing(out, "plot", found ? window_plot(*planned) : "");
  put(out, "caption", found ? window_words(*planned) : "");
  std::vector<PageData> rows;
  if (plateau.sweeps > 0) {
    for (const Readings& one : plateau.reference.each) rows.push_back(reading_row(one, 0, results));
    for (const auto& item : plateau.items) rows.push_back(reading_row(item.readings, item.reference_outside, results));
    for (const Readings& one : plateau.junctions) rows.push_back(reading_row(one, 0, results));
  }
  put_list(out, "rows", rows);
  return out;
}

void put_course(PageData& page, const Course& course) {
  std::vector<PageData> events, phases, files;
  for (const auto& event : course.events) {
    PageData entry;
    put(entry, "at", shown_moment(event.at_s));
    put(entry, "kind", event.kind == "left_out" ? "left out" : event.kind);
    put(entry, "text", event.text);
    events.push_back(entry);
  }
  for (const auto& phase : course.phases) {
    PageData entry;
    put(entry, "at", shown_moment(phase.at_s));
    put(entry, "phase", phase.phase);
    put(entry, "number", phase.plateau ? std::to_string(*phase.plateau + 1) : "");
    put(entry, "setpoint", phase.setpoint_c ? shown_number(phase.setpoint_c, 2) : "");
    put(entry, "why", phase.why);
    phases.push_back(entry);
  }
  for (const auto& [name, hash] : course.files) {
    PageData entry;
    put(entry, "name", name);
    put(entry, "hash", hash);
    files.push_back(entry);
  }
  put_list(page, "events", events);
  put_list(page, "phases", phases);
  put_list(page, "files", files);
}

}  // namespace

void put_night(PageData& page, const Results& results, const Course& course) {
  put_standards(page, results, course);
  put_texts(page, "method", method(results, course));
  put_drawing(page, "night_plot", night_plot(results, course));
  std::vector<PageData> plateaus;
  for (const Plateau& plateau : results.plateaus) plateaus.push_back(plateau_entry(plateau, results, course));
  put_list(page, "plateaus", plateaus);
  put_texts(page, "marked", marked(results));
  put_course(page, course);
}

}  // namespace nightwell::report
