#include "cli/find_journal.hpp"

#include <fstream>
#include <system_error>

#include "journal/reader.hpp"
#include "journal/writer.hpp"
#include "nightwell/folders.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

bool is_path(const std::string& name) {
  return name.find('/') != std::string::npos || name.ends_with(".ndjson") || name == "." || name == "..";
}

// Empty where the first line cannot be understood: such a journal is never the newest.
std::string opened_utc(const fs::path& journal) {
  std::ifstream file(journal, std::ios::binary);
  std::string line(journal::max_line_bytes + 1, '\0');
  file.read(line.data(), static_cast<std::streamsize>(line.size()));
  line.resize(static_cast<std::size_t>(file.gcount()));
  const std::size_t end = line.find('\n');
  if (end == std::string::npos) return "";
  const auto record = journal::parse_line(std::string_view(line).substr(0, end));
  return record ? record->utc : "";
}

Result<fs::path> newest(const fs::path& state) {
  const fs::path runs = state / "runs";
  std::error_code error;
  fs::path best;
  std::string best_utc;
  for (fs::directory_iterator entry(runs, error), end; !error && entry != end; entry.increment(error)) {
    const fs::path journal = entry->path() / "journal.ndjson";
    // Labels of one shape: the later one is the larger text.
    if (std::string utc = opened_utc(journal); utc > best_utc) {
      best_utc = std::move(utc);
      best = journal;
    }
  }
  if (error && error != std::errc::no_such_file_or_directory)
    return Error{Errc::storage, "looking for the newest run", error.message(), runs.string()};
  if (best.empty())
    return Error{Errc::not_found, "looking for the newest run",
                 "there are no runs here: name a journal, or give --state", runs.string()};
  return best;
}

}  // namespace

Result<fs::path> find_journal(const std::string& name, const Result<fs::path>& state) {
  if (name.empty()) return state ? newest(*state) : state;
  std::error_code error;
  if (is_path(name)) {
    fs::path path(name);
    if (fs::is_directory(path, error)) path /= "journal.ndjson";
    if (fs::exists(path, error)) return path;
    return Error{Errc::not_found, "opening the journal", "there is no such file", path.string()};
  }
  if (!state) return state.error();
  fs::path path = run_journal(*state, name);
  if (fs::exists(path, error)) return path;
  return Error{Errc::not_found, "looking for the run " + name,
               "it has no journal here: see `nightwell runs`, or give --state", path.string()};
}

}  // namespace nightwell::cli
