#include "relay/metrics.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <set>

#include "journal/plain_text.hpp"

namespace nightwell::relay {

namespace {

enum class Type { gauge, counter, info, state_set, summary };

constexpr std::array<std::string_view, 11> run_states{"opening", "preflight", "approach", "settle",
                                                      "capture", "cooldown",  "held",     "waiting",
                                                      "parked",  "finished",  "stopped"};

const char* word(Type type) {
  switch (type) {
    case Type::gauge: return "gauge";
    case Type::counter: return "counter";
    case Type::info: return "info";
    case Type::state_set: return "stateset";
    case Type::summary: return "summary";
  }
  return "unknown";
}

struct Label {
  std::string_view name;
  std::string value;
};
using Labels = std::vector<Label>;

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : journal::printable(text)) {
    if (c == '\\' || c == '"') out += '\\';
    out += c;
  }
  return out;
}

std::string number(double value) {
  if (std::isnan(value)) return "NaN";
  if (std::isinf(value)) return value < 0 ? "-Inf" : "+Inf";
  std::array<char, 64> room{};
  const auto done = std::to_chars(room.data(), room.data() + room.size(), value);
  return {room.data(), done.ptr};
}
std::string number(std::uint64_t value) {
  return std::to_string(value);
}

// Writes one family after the other. A family without samples is left out.
class Writer {
 public:
  explicit Writer(MetricsForm form) : open_(form == MetricsForm::open_metrics) {}

  void family(const std::string& name, Type type, std::string_view unit, std::string_view help) {
    name_ = name;
    type_ = type;
    written_.clear();
    const std::string shown = open_ ? name : plain_name(name, type);
    head_ = "# TYPE " + shown + " " + (open_ ? word(type) : plain_word(type)) + "\n";
    if (open_ && !unit.empty()) head_ += "# UNIT " + shown + " " + std::string(unit) + "\n";
    head_ += "# HELP " + shown + " " + std::string(help) + "\n";
  }

  template <class Value>
  void sample(const Labels& labels, Value value) {
    sample(type_ == Type::counter ? "_total" : type_ == Type::info ? "_info" : "", labels, value);
  }

  template <class Value>
  void sample(std::string_view suffix, const Labels& labels, Value value) {
    std::string sample = name_ + std::string(suffix);
    for (const Label& label : labels)
      sample += (&label == labels.data() ? "{" : ",") + std::string(label.name) + "=\"" + escaped(label.value) + "\"";
    sample += labels.empty() ? " " : "} ";
    // Names that differ only in what cannot be shown: two samples alike would make the whole text void.
    if (!written_.insert(sample).second) return;
    out_ += head_;
    head_.clear();
    out_ += sample + number(value) + "\n";
  }

  [[nodiscard]] std::string finished() && { return std::move(out_) + (open_ ? "# EOF\n" : ""); }

 private:
  // The older format knows neither info nor state set, and names a counter with its suffix.
  static std::string plain_name(const std::string& name, Type type) {
    return name + (type == Type::counter ? "_total" : type == Type::info ? "_info" : "");
  }
  static const char* plain_word(Type type) {
    return type == Type::info || type == Type::state_set ? "gauge" : word(type);
  }

  bool open_;
  std::set<std::string> written_;  // of this family, without values
  std::string out_, head_, name_;
  Type type_ = Type::gauge;
};

std::string bench_of(const RunView& run) {
  return run.digest->bench;
}

std::string state_of(const Digest& digest) {
  return digest.ending.empty() ? digest.phase : digest.ending;
}

using Runs = std::vector<RunView>;

// One sample a bench; nothing where `value` gives nothing.
template <class ValueOf>
void for_each_bench(Writer& out, const Runs& runs, ValueOf value) {
  for (const RunView& run : runs)
    if (const auto one = value(run)) out.sample({{"bench", bench_of(run)}}, *one);
}

using Counts = std::map<std::string, std::uint64_t, std::less<>>;
using Count = std::optional<std::uint64_t>;
using Number = std::optional<double>;

void write_counts(Writer& out, const Runs& runs, const char* label, Counts Digest::*counts) {
  for (const RunView& run : runs)
    for (const auto& [code, count] : run.digest->*counts) out.sample({{"bench", bench_of(run)}, {label, code}}, count);
}

void write_state(Writer& out, const Runs& runs) {
  out.family("nightwell_run", Type::info, "", "The newest run of each bench.");
  for (const RunView& run : runs)
    out.sample({{"bench", bench_of(run)}, {"run", run.id}, {"profile", run.digest->profile}, {"job", run.digest->job}},
               std::uint64_t{1});
  out.family("nightwell_run_state", Type::state_set, "", "What the run does: 1 at its state, 0 at the others.");
  for (const RunView& run : runs)
    for (const std::string_view state : run_states)
      out.sample({{"bench", bench_of(run)}, {"nightwell_run_state", std::string(state)}},
                 std::uint64_t{state_of(*run.digest) == state});
  out.family("nightwell_run_open", Type::gauge, "", "1 while the journal has no closing record.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->closed ? 0 : 1); });
  out.family("nightwell_run_park_unconfirmed", Type::gauge, "",
             "1 where the run is parked and not every source has answered that it is safe.");
  for_each_bench(out, runs, [](const RunView& run) {
    return Count(run.digest->parked() && !run.digest->park_confirmed() ? 1 : 0);
  });
  out.family("nightwell_run_overdue", Type::gauge, "", "1 while the run's state lasts clearly longer than it should.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->overdue.empty() ? 0 : 1); });
  out.family("nightwell_run_hooks", Type::counter, "", "Hooks that were told something, by outcome.");
  write_counts(out, runs, "outcome", &Digest::hooks);
  out.family("nightwell_run_questions", Type::gauge, "", "Questions that wait for a person at the bench.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->open_questions()); });
}

void write_temperatures(Writer& out, const Runs& runs) {
  out.family("nightwell_setpoint_celsius", Type::gauge, "celsius", "Setpoint that the run wants now; none, no sample.");
  for_each_bench(out, runs, [](const RunView& run) { return run.digest->closed ? Number() : run.digest->setpoint_c; });
  out.family("nightwell_reference_temperature_celsius", Type::gauge, "celsius",
             "Reference, the newest reading: t90 from the raw value by the sensor card; no value, no sample.");
  for_each_bench(out, runs,
                 [](const RunView& run) { return run.digest->reference_lost ? Number() : run.digest->reference_c; });
  out.family("nightwell_source_temperature_celsius", Type::gauge, "celsius",
             "What a heat source shows itself, the newest read-back.");
  for (const RunView& run : runs)
    for (const SourceDigest& source : run.digest->sources)
      if (source.temperature_c) out.sample({{"bench", bench_of(run)}, {"source", source.name}}, *source.temperature_c);
}

void write_readings(Writer& out, const Runs& runs) {
  out.family("nightwell_readings", Type::counter, "", "Readings of channels, with or without a value.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->readings); });
  out.family("nightwell_reading_rate_hertz", Type::gauge, "hertz",
             "Readings a second over the last minute; nothing came in it, no sample.");
  for_each_bench(out, runs,
                 [](const RunView& run) { return run.fresh() ? Number(run.digest->readings_per_s) : Number(); });
  out.family("nightwell_reading_faults", Type::counter, "", "Readings without a value, by the journal's code.");
  write_counts(out, runs, "code", &Digest::reading_faults);
  out.family("nightwell_source_faults", Type::counter, "", "Faults of heat sources, by the journal's code.");
  write_counts(out, runs, "code", &Digest::source_faults);
  out.family("nightwell_asked_again", Type::counter, "",
             "Questions that scanners were asked again: the reply was late, missing or garbled.");
  write_counts(out, runs, "scanner", &Digest::asked_again);
  out.family("nightwell_odd_replies", Type::counter, "", "Readings that were asked for twice or answered unusually.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->odd_replies); });
  out.family("nightwell_guards_crossed", Type::counter, "", "Guards that were crossed.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->guards); });
  out.family("nightwell_plateaus", Type::gauge, "", "Plateaus of the plan by outcome; open: not closed yet.");
  for (const RunView& run : runs) {
    for (const char* outcome : {"settled", "not_settled", "skipped"})
      out.sample({{"bench", bench_of(run)}, {"outcome", outcome}}, std::uint64_t{run.digest->count(outcome)});
    out.sample({{"bench", bench_of(run)}, {"outcome", "open"}}, std::uint64_t{run.digest->count("")});
  }
}

void write_journal(Writer& out, const Runs& runs) {
  out.family("nightwell_journal_records", Type::counter, "", "Records of the journal.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.digest->records); });
  out.family("nightwell_journal_age_seconds", Type::gauge, "seconds", "Since the journal last gained anything.");
  for_each_bench(out, runs, [](const RunView& run) { return Number(run.age_s); });
  out.family("nightwell_journal_unreadable", Type::gauge, "", "1 where the journal is damaged or cannot be read now.");
  for_each_bench(out, runs, [](const RunView& run) { return Count(run.trouble ? 1 : 0); });
  out.family("nightwell_journal_storage_events", Type::counter, "", "Records of the journal's disk, by event.");
  write_counts(out, runs, "event", &Digest::storage_events);
  out.family("nightwell_journal_copy_behind_bytes", Type::gauge, "bytes",
             "How much the second copy lacks, where there is one.");
  for_each_bench(out, runs,
                 [](const RunView& run) { return run.digest->disk ? run.digest->disk->copy_behind_bytes : Number(); });
  out.family("nightwell_journal_sync_seconds", Type::summary, "seconds",
             "Waits for the disk (fdatasync) that the journal tells of: how many, how long in all.");
  for (const RunView& run : runs) {
    const auto& disk = run.digest->disk;
    if (!disk) continue;
    out.sample("_count", {{"bench", bench_of(run)}}, disk->syncs);
    out.sample("_sum", {{"bench", bench_of(run)}}, disk->waited_s);
  }
  out.family("nightwell_journal_longest_sync_seconds", Type::gauge, "seconds", "The longest of these waits.");
  for_each_bench(out, runs,
                 [](const RunView& run) { return run.digest->disk ? Number(run.digest->disk->largest_s) : Number(); });
}

void write_refused(Writer& out, const char* listener, const Counters& counters) {
  const auto& refused = counters.refused;
  const std::pair<const char*, std::uint64_t> reasons[] = {{"tls", refused.tls},
                                                           {"certificate", refused.certificate},
                                                           {"not_allowed", refused.not_allowed},
                                                           {"too_slow", refused.too_slow},
                                                           {"full", refused.full},
                                                           {"bad_request", refused.bad_request},
                                                           {"out_of_files", refused.out_of_files}};
  for (const auto& [why, count] : reasons) out.sample({{"listener", listener}, {"reason", why}}, count);
}

void write_relay(Writer& out, const RelayFigures& relay) {
  out.family("nightwell_relay", Type::info, "", "The relay.");
  out.sample({{"version", NIGHTWELL_VERSION}}, std::uint64_t{1});
  out.family("nightwell_relay_connected", Type::gauge, "", "Connected now: followers of the line, and the page.");
  out.sample({{"listener", "followers"}}, relay.followers.connected);
  out.sample({{"listener", "page"}}, relay.page.connected);
  out.family("nightwell_relay_page_streams", Type::gauge, "", "Open pages that follow a run now.");
  out.sample({}, relay.page_streams);
  out.family("nightwell_relay_runs_unreadable", Type::gauge, "",
             "1 while the runs folder cannot be read: what is said of runs is what was known before.");
  out.sample({}, std::uint64_t{relay.runs_unreadable});
  out.family("nightwell_relay_lag_bytes", Type::gauge, "bytes",
             "How much of its journal a follower has yet to be sent.");
  for (const auto& [name, bytes] : relay.lag_bytes) out.sample({{"follower", name}}, bytes);
  out.family("nightwell_relay_sent_bytes", Type::counter, "bytes", "Lines sent to followers since the relay started.");
  out.sample({}, relay.followers.bytes);
  out.family("nightwell_relay_sent_records", Type::counter, "", "Records sent to followers since the relay started.");
  out.sample({}, relay.followers.lines);
  out.family("nightwell_relay_refused", Type::counter, "", "Connections refused before anything was sent, by reason.");
  write_refused(out, "followers", relay.followers);
  write_refused(out, "page", relay.page);
  out.family("nightwell_relay_dropped", Type::counter, "", "Followers that the relay cut off later, by reason.");
  out.sample({{"reason", "sent_more"}}, relay.followers.dropped.sent_more);
  out.sample({{"reason", "stalled"}}, relay.followers.dropped.stalled);
  out.sample({{"reason", "expired"}}, relay.followers.dropped.expired);
  out.sample({{"reason", "journal"}}, relay.followers.dropped.journal);
}

bool same_text(std::string_view a, std::string_view b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](char a_char, char b_char) {
    return (a_char >= 'A' && a_char <= 'Z' ? a_char - 'A' + 'a' : a_char) == b_char;
  });
}

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && (text.front() == ' ' || text.front() == '\t')) text.remove_prefix(1);
  while (!text.empty() && (text.back() == ' ' || text.back() == '\t')) text.remove_suffix(1);
  return text;
}

// Takes the text up to the next `end`, and it with it.
std::string_view next_part(std::string_view& text, char end) {
  const std::size_t at = text.find(end);
  const std::string_view out = text.substr(0, at);
  text.remove_prefix(at == std::string_view::npos ? text.size() : at + 1);
  return trimmed(out);
}

}  // namespace

std::string_view content_type(MetricsForm form) {
  return form == MetricsForm::open_metrics ? "application/openmetrics-text; version=1.0.0; charset=utf-8"
                                           : "text/plain; version=0.0.4; charset=utf-8";
}

MetricsForm wanted_form(std::string_view accept) {
  while (!accept.empty()) {
    std::string_view range = next_part(accept, ',');
    if (!same_text(next_part(range, ';'), "application/openmetrics-text")) continue;
    bool wanted = true;
    while (!range.empty()) {
      const std::string_view parameter = next_part(range, ';');
      if (parameter.substr(0, 2) == "q=" && parameter.substr(2).find_first_of("123456789") == std::string_view::npos)
        wanted = false;
    }
    if (wanted) return MetricsForm::open_metrics;
  }
  return MetricsForm::plain;
}

std::string metrics_text(MetricsForm form, const std::vector<RunView>& benches, const RelayFigures& relay) {
  // Two samples of the same name and labels would make the whole text void.
  Runs runs;
  std::set<std::string> names;
  for (const RunView& run : benches)
    if (names.insert(escaped(bench_of(run))).second) runs.push_back(run);
  Writer out(form);
  write_state(out, runs);
  write_temperatures(out, runs);
  write_readings(out, runs);
  write_journal(out, runs);
  write_relay(out, relay);
  return std::move(out).finished();
}

}  // namespace nightwell::relay
