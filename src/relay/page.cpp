#include "relay/page.hpp"

#include <algorithm>
#include <cmath>
#include <kainjow/mustache.hpp>
#include <nlohmann/json.hpp>

#include "journal/plain_text.hpp"
#include "journal/wording.hpp"
#include "relay/page_files.hpp"
#include "report/page_data.hpp"

namespace nightwell::relay {

namespace {

using journal::clip;
using journal::duration_text;
using journal::shortest;
using journal::words;
using report::PageData;
using report::put;
using report::put_list;
using report::with_minus;

// Sets `key` and "has_" + key.
void put_if_any(PageData& to, const char* key, const std::string& text) {
  put(to, key, text);
  to.set("has_" + std::string(key), PageData(!text.empty()));
}

// "2026-11-25 20:15:03 UTC"
std::string clock_text(const std::string& utc) {
  std::string out = journal::utc_text(utc);
  if (!out.empty() && out.back() == 'Z') out.replace(out.size() - 1, 1, " UTC");
  return out;
}

// `key` for people, key_utc for the browser, has_key.
void put_time(PageData& to, const std::string& key, const std::optional<Moment>& moment) {
  const std::string utc = moment ? moment->utc : "";
  const std::string text = clock_text(utc);
  put_if_any(to, key.c_str(), text);
  put(to, (key + "_utc").c_str(), utc);
}

// The same without the date, for what is of today or told elsewhere.
void put_clock(PageData& to, const std::string& key, const std::optional<Moment>& moment) {
  put_time(to, key, moment);
  const std::string text = moment ? journal::utc_text(moment->utc) : "";
  if (text.size() == 20 && text.back() == 'Z') put(to, key.c_str(), text.substr(11, 8) + " UTC");
}

Result<std::string> rendered(std::string_view file, PageData& data) {
  kainjow::mustache::mustache sheet{std::string(file)};
  if (!sheet.is_valid()) return Error{Errc::unexpected, "making the status page", sheet.error_message(), ""};
  return sheet.render(data);
}

std::string celsius(std::optional<double> t_c, int decimals) {
  return t_c ? with_minus(journal::fixed(*t_c, decimals)) + " °C" : "-";
}

// A setpoint as it was written: no more digits than it has.
std::string setpoint(std::optional<double> t_c) {
  return t_c ? with_minus(shortest(*t_c)) + " °C" : "-";
}

// Thousands apart, so that a long count can be read.
std::string grouped(std::uint64_t count) {
  std::string out = std::to_string(count);
  for (std::size_t at = out.size(); at > 3;) out.insert(at -= 3, "\u202f");
  return out;
}

std::string counted(std::uint64_t count, const std::string& thing) {
  return grouped(count) + " " + thing + (count == 1 ? "" : "s");
}

std::string joined(const std::vector<std::string>& texts, const char* between) {
  std::string out;
  for (const std::string& text : texts)
    if (!text.empty()) out += (out.empty() ? "" : between) + text;
  return out;
}

// Names are short; one that is not must not push the rest off a phone.
constexpr std::size_t longest_name = 60;

std::string name_or_dash(const std::string& text) {
  return text.empty() ? "-" : clip(journal::printable(text), longest_name);
}

std::string state_word(const RunView& run) {
  if (!run.digest->ending.empty()) return clip(words(run.digest->ending), longest_name);
  if (run.digest->closed) return "closed";
  if (run.digest->phase.empty()) return run.reading() ? "being read" : "opening";
  return clip(words(run.digest->phase), longest_name);
}

const char* shape_of(const RunView& run) {
  static constexpr std::pair<std::string_view, const char*> shapes[] = {
      {"opening", "◌"}, {"preflight", "◌"}, {"approach", "▷"}, {"settle", "◐"},   {"capture", "●"}, {"cooldown", "▽"},
      {"held", "‖"},    {"waiting", "?"},   {"parked", "■"},   {"finished", "✓"}, {"stopped", "□"}};
  const std::string state = state_word(run);
  for (const auto& [word, shape] : shapes)
    if (state == word) return shape;
  return "·";
}

bool at_plateau(const Digest& digest) {
  return !digest.closed && digest.plateau && *digest.plateau < digest.plateaus.size();
}

std::string place_of(const Digest& digest) {
  if (!at_plateau(digest)) return "";
  return "plateau " + std::to_string(*digest.plateau + 1) + " of " + std::to_string(digest.plateaus.size());
}

// ---- what a person must know first ----

PageData call(const std::string& head, const std::string& text) {
  PageData out;
  put(out, "head", head);
  put_if_any(out, "text", text);
  return out;
}

std::string park_text(const Digest& digest) {
  std::vector<std::string> texts;
  for (const SourceDigest& source : digest.sources) {
    if (source.attended) continue;
    std::string text = source.name + ": ";
    if (!source.park) {
      texts.push_back(text + "has said nothing of it");
      continue;
    }
    text += source.park->untouched ? "never touched by this run" : source.park->confirmed ? "safe" : "not confirmed";
    if (!source.park->text.empty()) text += " (" + source.park->text + ")";
    texts.push_back(text);
  }
  return joined(texts, "; ");
}

void put_calls(PageData& data, const RunView& run) {
  const Digest& digest = *run.digest;
  std::vector<PageData> calls;
  if (digest.parked() && !digest.park_confirmed())
    calls.push_back(call("Parked, NOT CONFIRMED: somebody must go and see that the heat is off.", park_text(digest)));
  else if (digest.parked() && digest.park_unseen())
    calls.push_back(call("Parked. A source was never reached, so this run told it nothing: look whether it is off.",
                         park_text(digest)));
  else if (digest.parked() && digest.sources.empty())
    calls.push_back(call("Parked. This run had no heat source.", ""));
  else if (digest.parked())
    calls.push_back(call("Parked. Every source answered that it is safe.", park_text(digest)));
  // A held run asks again when it goes on.
  if (digest.phase != "held")
    for (const QuestionDigest& question : digest.questions)
      calls.push_back(call(digest.parked() ? "Somebody must do this at the bench:" : "Waits for a person at the bench:",
                           question.text));
  if (digest.phase == "held" && !digest.closed)
    calls.push_back(call("Held by a person; it goes on when they say so.", ""));
  if (!digest.overdue.empty()) calls.push_back(call("Takes longer than it should:", digest.overdue));
  if (run.silent())
    calls.push_back(call("Silent: the journal is not closed and has gained nothing for 5 minutes or more.",
                         (digest.newest ? "The newest record is of " + clock_text(digest.newest->utc) + ". " : "") +
                             "The program may have been stopped, or its computer may be off."));
  if (run.trouble)
    calls.push_back(call(run.damaged ? "The journal cannot be read further:"
                                     : "The journal cannot be read now; it is tried again every second:",
                         *run.trouble));
  if (run.reading())
    calls.push_back(
        call("Still being read:", std::to_string(run.read_bytes * 100 / std::max<std::uint64_t>(run.bytes, 1)) +
                                      " % so far; what stands here is of that part"));
  put_list(data, "calls", calls);
}

// ---- figures ----

PageData figure(const std::string& name, const std::string& value, const std::string& note,
                const std::optional<Moment>& at = std::nullopt) {
  PageData out;
  put(out, "name", name);
  put(out, "value", value);
  put_if_any(out, "note", note);
  put_clock(out, "at", at);
  return out;
}

std::string reference_note(const Digest& digest) {
  if (digest.reference_lost) return "its newest reading has no value; this is the one before";
  if (!at_plateau(digest) || !digest.setpoint_c || !digest.reference_c) return "";
  const double difference = *digest.reference_c - *digest.setpoint_c;
  return journal::fixed(std::abs(difference), 3) + " K " + (difference < 0 ? "below" : "above") + " the setpoint";
}

std::string source_note(const SourceDigest& source) {
  const std::string output = !source.output ? "output unknown" : *source.output ? "output on" : "output off";
  return joined({source.target_c ? "target " + setpoint(source.target_c) : "", output,
                 source.park ? (source.park->confirmed ? "parked" : "parked, not confirmed") : ""},
                ", ");
}

std::string plateau_note(const Digest& digest) {
  std::vector<std::string> texts;
  for (const char* outcome : {"settled", "not_settled", "skipped"})
    if (const std::size_t count = digest.count(outcome); count > 0 || std::string_view(outcome) == "settled")
      texts.push_back(std::to_string(count) + " " + words(outcome));
  return joined(texts, ", ");
}

std::string fault_note(const Digest& digest) {
  return joined({digest.all_source_faults() > 0 ? grouped(digest.all_source_faults()) + " of sources" : "",
                 digest.all_reading_faults() > 0 ? grouped(digest.all_reading_faults()) + " of readings" : "",
                 digest.odd_replies > 0 ? counted(digest.odd_replies, "odd reply") : "",
                 digest.guards > 0 ? counted(digest.guards, "guard") + " crossed" : ""},
                ", ");
}

void put_figures(PageData& data, const Digest& digest) {
  std::vector<PageData> figures;
  figures.push_back(figure("Reference", celsius(digest.reference_c, 4), reference_note(digest), digest.reference_at));
  if (!digest.closed)
    figures.push_back(figure("Setpoint", digest.setpoint_c ? setpoint(digest.setpoint_c) : "none", ""));
  for (const SourceDigest& source : digest.sources)
    if (!source.attended)
      figures.push_back(figure("Source " + name_or_dash(source.name),
                               source.temperature_c ? celsius(source.temperature_c, 2) : "not read",
                               source_note(source), source.read));
  if (!digest.plateaus.empty()) {
    const std::size_t closed = static_cast<std::size_t>(std::count_if(
        digest.plateaus.begin(), digest.plateaus.end(), [](const auto& one) { return one.closed.has_value(); }));
    figures.push_back(figure("Plateaus done", std::to_string(closed) + " of " + std::to_string(digest.plateaus.size()),
                             plateau_note(digest)));
  }
  const std::uint64_t faults = digest.all_reading_faults() + digest.all_source_faults() + digest.failures;
  figures.push_back(figure("Faults", faults == 0 ? "none" : grouped(faults), fault_note(digest)));
  put_list(data, "figures", figures);
}

Result<std::string> now_part(const RunView& run) {
  const Digest& digest = *run.digest;
  PageData data;
  put(data, "bench", name_or_dash(digest.bench));
  put(data, "job", name_or_dash(digest.job));
  put(data, "shape", shape_of(run));
  put(data, "state", state_word(run));
  put(data, "place", place_of(digest));
  put_time(data, "since", digest.phase_since);
  put_if_any(data, "why", digest.closed ? digest.ending_why : digest.phase_why);
  put_calls(data, run);
  put_figures(data, digest);
  return rendered(page_files::now(), data);
}

// ---- the other parts ----

Result<std::string> course_part(const Digest& digest) {
  PageData data;
  report::put_drawing(data, "narrow", course_plot(digest, 360, 240));
  report::put_drawing(data, "wide", course_plot(digest, 900, 300));
  return rendered(page_files::course(), data);
}

PageData plateau_row(const Digest& digest, std::size_t index) {
  const PlateauDigest& plateau = digest.plateaus[index];
  const bool now = at_plateau(digest) && *digest.plateau == index;
  PageData row;
  put(row, "number", std::to_string(index + 1));
  put(row, "setpoint", setpoint(plateau.setpoint_c));
  const std::string& outcome = plateau.outcome;
  put(row, "shape", outcome == "settled" ? "✓" : outcome == "skipped" ? "–" : !outcome.empty() ? "✕" : now ? "▸" : "·");
  put(row, "outcome", !outcome.empty() ? words(outcome) : now ? words(digest.phase) : "to come");
  put_if_any(row, "why", outcome == "settled" ? "" : plateau.why);
  put(row, "mean", plateau.mean_c ? celsius(plateau.mean_c, 4) : "");
  row.set("is_now", PageData(now));
  put_time(row, "closed", plateau.closed);
  return row;
}

Result<std::string> plateaus_part(const Digest& digest) {
  PageData data;
  std::vector<PageData> rows;
  for (std::size_t i = 0; i < digest.plateaus.size(); ++i) rows.push_back(plateau_row(digest, i));
  put_list(data, "plateaus", rows);
  put_if_any(data, "left_out", joined(digest.left_out, ", "));
  return rendered(page_files::plateaus(), data);
}

Result<std::string> events_part(const Digest& digest) {
  PageData data;
  std::vector<PageData> rows;
  for (auto event = digest.events.rbegin(); event != digest.events.rend(); ++event) {
    PageData& row = rows.emplace_back();
    put_time(row, "time", event->at);
    put(row, "utc", event->at.utc);
    // "plateau 2 …" needs no "plateau" in front.
    put(row, "kind", event->text.starts_with(event->kind) ? "" : words(event->kind));
    put(row, "text", event->text);
  }
  put_list(data, "events", rows);
  return rendered(page_files::events(), data);
}

PageData fact(const std::string& name, const std::string& value, const std::optional<Moment>& at = std::nullopt) {
  PageData out;
  put(out, "name", name);
  put(out, "value", value);
  put_time(out, "at", at);
  return out;
}

std::string by_code(const std::map<std::string, std::uint64_t, std::less<>>& counts) {
  std::vector<std::string> texts;
  for (const auto& [code, count] : counts) texts.push_back(words(code) + " " + grouped(count));
  return joined(texts, ", ");
}

std::string seal_text(const Digest& digest) {
  if (digest.seal_algorithm.empty()) return "none yet";
  if (digest.seal_algorithm == "none") return "closed, nobody signed";
  return "signed with " + digest.seal_algorithm + "; this page does not check the signature";
}

std::string milliseconds(double seconds) {
  return seconds < 1 ? journal::fixed(seconds * 1e3, 1) + " ms" : duration_text(seconds);
}

std::string disk_text(const DiskDigest& disk) {
  if (disk.syncs == 0) return "no sync yet";
  return joined(
      {counted(disk.syncs, "sync"), "mean " + milliseconds(disk.waited_s / static_cast<double>(disk.syncs)),
       "longest " + milliseconds(disk.largest_s),
       disk.copy_behind_bytes.value_or(0) > 0 ? "second copy behind by " + shortest(*disk.copy_behind_bytes) + " bytes"
                                              : ""},
      ", ");
}

Result<std::string> journal_part(const RunView& run) {
  const Digest& digest = *run.digest;
  std::vector<PageData> facts;
  facts.push_back(fact("Run", run.id));
  facts.push_back(fact("Profile", digest.profile));
  facts.push_back(fact("Opened", "", digest.opened));
  facts.push_back(
      fact("Newest record", digest.records == 0 ? "-" : "no. " + grouped(digest.records - 1), digest.newest));
  if (digest.speed != 1) facts.push_back(fact("Clock", "runs " + shortest(digest.speed) + " times as fast"));
  facts.push_back(fact("Readings", grouped(digest.readings) + " in " + counted(digest.sweeps, "sweep")));
  if (!digest.closed && run.fresh())
    facts.push_back(fact("In the last minute", journal::fixed(digest.readings_per_s, 1) + " readings a second"));
  if (!digest.reading_faults.empty()) facts.push_back(fact("Readings without a value", by_code(digest.reading_faults)));
  if (!digest.source_faults.empty()) facts.push_back(fact("Faults of sources", by_code(digest.source_faults)));
  if (!digest.asked_again.empty()) facts.push_back(fact("Asked again", by_code(digest.asked_again)));
  if (!digest.hooks.empty()) facts.push_back(fact("Hooks", by_code(digest.hooks)));
  if (digest.survey_findings) facts.push_back(fact("Survey", counted(*digest.survey_findings, "finding")));
  if (!digest.storage_events.empty()) facts.push_back(fact("The disk said", by_code(digest.storage_events)));
  if (digest.disk) facts.push_back(fact("Onto the disk", disk_text(*digest.disk)));
  if (digest.closed) facts.push_back(fact("Seal", seal_text(digest)));
  PageData data;
  put_list(data, "facts", facts);
  return rendered(page_files::journal(), data);
}

std::string bench_note(const RunView& run) {
  const Digest& digest = *run.digest;
  return joined({place_of(digest), digest.parked() && !digest.park_confirmed() ? "NOT CONFIRMED" : "",
                 digest.open_questions() == 0 ? "" : "waits for a person", run.silent() ? "silent" : "",
                 run.trouble ? "cannot be read" : ""},
                ", ");
}

}  // namespace

Result<std::vector<Part>> run_parts(const RunView& run) {
  std::vector<Part> out;
  const std::pair<const char*, Result<std::string>> parts[] = {{"now", now_part(run)},
                                                               {"course", course_part(*run.digest)},
                                                               {"plateaus", plateaus_part(*run.digest)},
                                                               {"events", events_part(*run.digest)},
                                                               {"journal", journal_part(run)}};
  for (const auto& [id, html] : parts) {
    if (!html) return html.error();
    out.push_back({id, *html});
  }
  return out;
}

Result<Part> benches_part(const std::vector<RunView>& benches, const std::vector<std::string>& others) {
  PageData data;
  std::vector<PageData> rows;
  for (const RunView& run : benches) {
    PageData& row = rows.emplace_back();
    put(row, "id", run.id);
    put(row, "bench", name_or_dash(run.digest->bench));
    put(row, "shape", shape_of(run));
    put(row, "state", state_word(run));
    put_if_any(row, "note", bench_note(run));
    put(row, "reference", run.digest->reference_lost ? "no value" : celsius(run.digest->reference_c, 3));
    put_time(row, "newest", run.digest->newest);
  }
  put_list(data, "benches", rows);
  report::put_texts(data, "earlier", others);
  const auto html = rendered(page_files::benches(), data);
  if (!html) return html.error();
  return Part{"benches", *html};
}

Result<Part> folder_part(const std::string& why) {
  PageData data;
  put(data, "why", why);
  const auto html = rendered(page_files::folder(), data);
  if (!html) return html.error();
  return Part{"folder", *html};
}

Result<std::string> page(const Shell& shell, const std::vector<Part>& parts) {
  PageData data;
  put(data, "title", shell.title);
  put(data, "utc", shell.utc);
  put_time(data, "time", Moment{shell.utc, 0});
  put(data, "events", shell.events);
  std::vector<PageData> entries;
  for (const Part& part : parts) {
    PageData& entry = entries.emplace_back();
    put(entry, "id", part.id);
    report::put_drawing(entry, "html", part.html);
  }
  put_list(data, "parts", entries);
  return rendered(page_files::shell(), data);
}

std::string title(const RunView& run) {
  return joined({state_word(run), place_of(*run.digest), "bench " + name_or_dash(run.digest->bench)}, ", ");
}

std::string parts_json(std::string_view utc, const std::vector<std::string>& order, const std::vector<Part>& parts) {
  nlohmann::ordered_json out = {{"utc", utc}, {"order", order}, {"parts", nlohmann::ordered_json::object()}};
  for (const Part& part : parts) out["parts"][part.id] = part.html;
  // A line of its own in the event stream: dump() escapes line feeds.
  return out.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace);
}

}  // namespace nightwell::relay
