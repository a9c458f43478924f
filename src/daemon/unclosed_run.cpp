#include "daemon/unclosed_run.hpp"

#include <algorithm>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <optional>

#include "guardian/setup_file.hpp"
#include "journal/look.hpp"
#include "journal/reader.hpp"

namespace nightwell::daemon {

namespace {

namespace fs = std::filesystem;

bool says_confirmed(std::string_view report) {
  const auto said = nlohmann::json::parse(report, nullptr, false);
  if (!said.is_object()) return false;
  const auto confirmed = said.find("confirmed");
  return confirmed != said.end() && confirmed->is_boolean() && confirmed->get<bool>();
}

std::string_view without_time(std::string_view line) {
  const auto blank = line.find(' ');
  return blank == std::string_view::npos ? std::string_view() : line.substr(blank + 1);
}

// The record `plan` is the second of a journal. nullopt where it cannot be read.
std::optional<std::vector<LeftSource>> planned_sources(const fs::path& journal) {
  std::ifstream file(journal, std::ios::binary);
  std::string line;
  for (int number = 0; number < 2; ++number)
    if (!std::getline(file, line) || file.eof()) return std::nullopt;
  const auto record = journal::parse_line(line);
  if (!record || record->kind != "plan") return std::nullopt;
  std::vector<LeftSource> out;
  for (const auto& source : journal::list_at(record->body, "sources"))
    if (source.is_object())
      out.push_back({journal::raw_text_at(source, "name"),
                     journal::flag_at(source, "attended").value_or(false) ? LastSeen::attended : LastSeen::not_off});
  return out;
}

// A command is in the journal, on disk, before its source is told; the guardian's log is synced by nobody, and a computer that dies
// may lose its last lines.
bool commanded(const fs::path& journal, const std::string& source) {
  std::ifstream file(journal, std::ios::binary);
  for (std::string line; std::getline(file, line);) {
    if (line.find(R"("kind":"command")") == std::string::npos) continue;
    const auto record = journal::parse_line(line);
    if (!record || (record->kind == "command" && journal::raw_text_at(record->body, "source") == source)) return true;
  }
  return false;
}

// A park is a run's last word to its source. Once the journal has it confirmed, on disk, nothing was told after it, whatever became of
// the guardian's log.
bool park_confirmed(const fs::path& journal, const std::string& source) {
  bool confirmed = false;
  std::ifstream file(journal, std::ios::binary);
  for (std::string line; std::getline(file, line);) {
    if (line.find(R"("kind":"park")") == std::string::npos) continue;
    const auto record = journal::parse_line(line);
    if (record && record->kind == "park" && journal::raw_text_at(record->body, "source") == source)
      confirmed = journal::flag_at(record->body, "confirmed").value_or(false);
  }
  return confirmed;
}

// The names in `guardian-NAME.log`.
std::vector<LeftSource> logged_sources(const fs::path& folder) {
  const std::string before = "guardian-";
  std::vector<LeftSource> out;
  std::error_code none;
  for (const auto& entry : fs::directory_iterator(folder, none))
    if (const auto stem = entry.path().stem().string();
        entry.path().extension() == ".log" && stem.compare(0, before.size(), before) == 0)
      out.push_back({stem.substr(before.size()), LastSeen::not_off});
  return out;
}

std::string named(const std::vector<LeftSource>& sources, LastSeen seen, bool relieved = false) {
  std::string out;
  for (const auto& source : sources)
    if (source.seen == seen && (seen != LastSeen::not_off || source.relieved == relieved))
      out += (out.empty() ? "" : ", ") + source.name;
  return out;
}

std::string seen_text(const std::vector<LeftSource>& sources) {
  std::string out;
  if (const auto names = named(sources, LastSeen::not_off); !names.empty())
    out += "; NOT SEEN OFF since: " + names +
           ": look at it now, it may still heat, and switch it off by hand (guardian-SOURCE.log in the run's folder "
           "says how far its guardian came)";
  if (const auto names = named(sources, LastSeen::not_off, true); !names.empty())
    out += "; NOT SEEN OFF since: " + names + ": another guardian is started to switch it off, see that it is";
  if (const auto names = named(sources, LastSeen::guarded); !names.empty())
    out += "; its guardian is still switching it off: " + names;
  if (const auto names = named(sources, LastSeen::taken_over); !names.empty()) out += "; a later run had it: " + names;
  if (const auto names = named(sources, LastSeen::attended); !names.empty())
    out += "; attended, only a person can switch it off: " + names;
  if (const auto names = named(sources, LastSeen::off); !names.empty()) out += "; seen off by its guardian: " + names;
  if (const auto names = named(sources, LastSeen::never_told); !names.empty())
    out += "; never told anything by this run: " + names;
  return out;
}

}  // namespace

LastSeen last_seen(std::string_view guardian_log) {
  constexpr std::string_view told = "telling the source: ";
  constexpr std::string_view parked = R"(said {"v":1,"say":"parked",)";
  constexpr std::string_view word = "said ";
  LastSeen seen = guardian_log.empty() ? LastSeen::not_off : LastSeen::never_told;
  while (!guardian_log.empty()) {
    const auto end = guardian_log.find('\n');
    const auto text = without_time(guardian_log.substr(0, end));
    if (text.substr(0, told.size()) == told) seen = LastSeen::not_off;
    if (text.substr(0, parked.size()) == parked)
      seen = says_confirmed(text.substr(word.size())) ? LastSeen::off : LastSeen::not_off;
    guardian_log.remove_prefix(end == std::string_view::npos ? guardian_log.size() : end + 1);
  }
  return seen;
}

LastSeen last_seen_in(const fs::path& guardian_log) {
  std::ifstream file(guardian_log, std::ios::binary);
  if (!file) return LastSeen::not_off;
  return last_seen(std::string(std::istreambuf_iterator<char>(file), {}));
}

std::vector<LeftSource> sources_left(const fs::path& folder) {
  const auto planned = planned_sources(folder / "journal.ndjson");
  auto out = planned ? *planned : logged_sources(folder);
  for (auto& source : out) {
    if (source.seen == LastSeen::attended) continue;
    const fs::path log = folder / ("guardian-" + source.name + ".log");
    const bool at_work = guardian::is_written(log);
    source.seen = last_seen_in(log);
    if (source.seen == LastSeen::never_told && commanded(folder / "journal.ndjson", source.name))
      source.seen = LastSeen::not_off;
    if (source.seen == LastSeen::not_off && park_confirmed(folder / "journal.ndjson", source.name))
      source.seen = LastSeen::off;
    if (source.seen == LastSeen::not_off && at_work) source.seen = LastSeen::guarded;
  }
  return out;
}

bool may_heat(const std::vector<LeftSource>& sources) {
  return std::any_of(sources.begin(), sources.end(), [](const auto& source) {
    return source.seen == LastSeen::not_off || source.seen == LastSeen::attended;
  });
}

bool any_unproved(const std::vector<LeftSource>& sources) {
  return std::any_of(sources.begin(), sources.end(), [](const auto& source) {
    return source.seen == LastSeen::not_off || source.seen == LastSeen::guarded;
  });
}

std::string unclosed_text(const std::vector<LeftSource>& sources) {
  return "ended without closing: its journal counts as far as it goes, it is not continued" + seen_text(sources);
}

std::string unproved_text(const std::vector<LeftSource>& sources) {
  return "was closed as parked before that was proved" + seen_text(sources);
}

}  // namespace nightwell::daemon
