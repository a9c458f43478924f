#include "journal/stored_runs.hpp"

#include <algorithm>
#include <fstream>
#include <system_error>
#include <tuple>

#include "journal/journal.hpp"
#include "journal/look.hpp"
#include "journal/reader.hpp"

namespace nightwell::journal {

namespace {

namespace fs = std::filesystem;

// The last whole lines of a file, the last one first, two at most; found from the end: journals of a night are long.
std::vector<std::string> last_lines(const fs::path& path) {
  std::ifstream file(path, std::ios::binary | std::ios::ate);
  if (!file) return {};
  const auto size = static_cast<std::uintmax_t>(file.tellg());
  // Two lines and a torn one behind them, each at most 64 KiB.
  const std::uintmax_t tail = std::min<std::uintmax_t>(size, 3 * (max_line_bytes + 1));
  std::string bytes(tail, '\0');
  file.seekg(static_cast<std::streamoff>(size - tail));
  file.read(bytes.data(), static_cast<std::streamsize>(tail));
  std::vector<std::string> out;
  for (auto end = bytes.rfind('\n'); end != std::string::npos && end > 0 && out.size() < 2;) {
    const auto before = bytes.rfind('\n', end - 1);
    const std::size_t begin = before == std::string::npos ? 0 : before + 1;
    out.push_back(bytes.substr(begin, end - begin));
    end = before;
  }
  return out;
}

// The file that a run's journal ends in: where a file took no more it goes on in the next one, in this folder or the second.
fs::path last_file(const fs::path& first, const fs::path& second) {
  fs::path last = first;
  const auto number_in = [](const fs::path& beside, int number) -> std::optional<fs::path> {
    std::error_code unknown;
    fs::path file = continuation_name(beside, number);
    const auto size = fs::file_size(file, unknown);
    return !unknown && size > 0 ? std::optional(std::move(file)) : std::nullopt;
  };
  for (int number = 2;; ++number) {
    auto next = number_in(first, number);
    if (!next && !second.empty()) next = number_in(second, number);
    if (!next) return last;
    last = *next;
  }
}

// How it says that it ended: by its closing record, with or without the seal behind it.
Result<std::optional<std::string>> ending_of(const std::vector<std::string>& last) {
  for (const auto& line : last) {
    const auto record = parse_line(line);
    if (!record) return record.error();
    if (record->kind == "closing") return std::optional<std::string>(raw_text_at(record->body, "ending"));
    if (record->kind != "seal") break;
  }
  return std::optional<std::string>();
}

std::optional<std::string> first_line(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::string line;
  if (!std::getline(file, line) || file.eof()) return std::nullopt;
  return line;
}

StoredRun stored_run(const fs::path& folder, const fs::path& second) {
  StoredRun out;
  out.run = folder.filename().string();
  constexpr const char* name = "journal.ndjson";
  out.journal = folder / name;
  const auto first = first_line(out.journal);
  const auto last = last_lines(last_file(out.journal, second.empty() ? second : second / out.run / name));
  if (!first || last.empty()) {
    out.trouble = "the journal has no whole line";
    return out;
  }
  const auto opening = parse_line(*first);
  const auto ending = ending_of(last);
  if (!opening || !ending) {
    out.trouble = (opening ? ending.error() : opening.error()).text();
    return out;
  }
  out.opened_utc = opening->utc;
  out.profile = raw_text_at(opening->body, "profile");
  out.bench = raw_text_at(opening->body, "bench");
  out.job = raw_text_at(opening->body, "job");
  out.ending = *ending;
  return out;
}

}  // namespace

Result<std::vector<StoredRun>> stored_runs(const fs::path& runs_folder, const fs::path& second) {
  std::vector<StoredRun> out;
  std::error_code error;
  for (fs::directory_iterator entry(runs_folder, error), end; !error && entry != end; entry.increment(error)) {
    std::error_code unknown;
    if (entry->is_directory(unknown)) out.push_back(stored_run(entry->path(), second));
  }
  if (error) return Error{Errc::storage, "listing the runs", error.message(), runs_folder.string()};
  std::sort(out.begin(), out.end(),
            [](const auto& a, const auto& b) { return std::tie(a.opened_utc, a.run) < std::tie(b.opened_utc, b.run); });
  return out;
}

}  // namespace nightwell::journal
