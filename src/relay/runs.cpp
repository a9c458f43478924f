#include "relay/runs.hpp"

#include <algorithm>
#include <system_error>
#include <tuple>

#include "journal/frame.hpp"
#include "journal/seal.hpp"
#include "relay/journal_part.hpp"

namespace nightwell::relay {

namespace {

namespace fs = std::filesystem;

Result<std::vector<std::string>> run_ids(const fs::path& runs_folder) {
  std::vector<std::string> out;
  std::error_code error;
  for (fs::directory_iterator entry(runs_folder, error), end; !error && entry != end; entry.increment(error))
    if (std::string name = entry->path().filename().string(); remote::is_run_id(name)) out.push_back(std::move(name));
  if (error) return Error{Errc::storage, "listing the runs", error.message(), runs_folder.string()};
  return out;
}

// When it was opened, and whether its closing record needs a seal behind it.
struct Opening {
  std::optional<std::string> utc;
  bool has_seals = true;
};

Result<Opening> opening_of(const JournalPart& first) {
  const auto line = first.record_at(0);
  if (!line) return line.error();
  Opening out;
  journal::Frame frame;
  if (!*line || journal::read_frame(**line, frame)) return out;
  out.utc = frame.utc;
  out.has_seals = (*line)->find(R"(,"format":"nightwell-journal/1")") == std::string::npos;
  return out;
}

bool closes(const std::string& line, bool has_seals) {
  journal::Frame frame;
  return !journal::read_frame(line, frame) &&
         (frame.kind == journal::seal_kind || (frame.kind == "closing" && !has_seals));
}

// Adds what one file holds of the journal; `until`: where the next one carries on.
Result<void> add_part(const JournalPart& part, std::optional<std::uint64_t> until, bool has_seals,
                      remote::RunLine& out) {
  const auto last = part.last();
  if (!last) return last.error();
  if (!*last) return {};
  if (!until || (*last)->n < *until) {
    out.bytes += (*last)->end;
    out.records = (*last)->n + 1;
    out.closed = closes((*last)->line, has_seals);
    return {};
  }
  const auto end = part.find(*until);
  if (!end) return end.error();
  out.bytes += end->value_or(0);
  out.records = *until;
  return {};
}

Result<remote::RunLine> run_line(const fs::path& runs_folder, const std::string& run) {
  auto part = JournalPart::open(runs_folder / run, 1);
  if (!part) return part.error();
  const auto opening = opening_of(*part);
  if (!opening) return opening.error();
  remote::RunLine out;
  out.run = run;
  out.opened = opening->utc;
  for (int number = 2;; ++number) {
    const auto until = first_number(runs_folder / run, number);
    if (!until) return until.error();
    if (auto added = add_part(*part, *until, opening->has_seals, out); !added) return added.error();
    if (!*until) return out;
    part = JournalPart::open(runs_folder / run, number);
    if (!part) return part.error();
  }
}

}  // namespace

Result<std::vector<remote::RunLine>> list_runs(const fs::path& runs_folder) {
  const auto ids = run_ids(runs_folder);
  if (!ids) return ids.error();
  std::vector<remote::RunLine> out;
  for (const auto& id : *ids)
    // What cannot be read, or went away meanwhile, holds up no list of the others.
    if (auto line = run_line(runs_folder, id)) out.push_back(std::move(line).value());
  std::sort(out.begin(), out.end(),
            [](const auto& a, const auto& b) { return std::tie(a.opened, a.run) < std::tie(b.opened, b.run); });
  return out;
}

Result<std::string> newest_run(const fs::path& runs_folder) {
  const auto ids = run_ids(runs_folder);
  if (!ids) return ids.error();
  std::pair<std::string, std::string> best;  // of one shape: the later label is the larger text
  for (const auto& id : *ids) {
    const auto part = JournalPart::open(runs_folder / id, 1);
    if (!part) continue;
    const auto opening = opening_of(*part);
    if (opening && opening->utc) best = std::max(best, std::pair(*opening->utc, id));
  }
  if (best.second.empty())
    return Error{Errc::not_found, "looking for the newest run", "there are no runs here", runs_folder.string()};
  return best.second;
}

}  // namespace nightwell::relay
