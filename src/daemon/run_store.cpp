#include "daemon/run_store.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <tuple>
#include <utility>

#include "journal/file.hpp"
#include "journal/journal.hpp"
#include "journal/reader.hpp"
#include "nightwell/folders.hpp"

namespace nightwell::daemon {

namespace {

namespace fs = std::filesystem;

constexpr std::size_t longest_slug = 40;

// The last whole lines of a file, the last one first, two at most; found from the end: journals of a night are long.
std::vector<std::string> last_lines(const fs::path& path) {
  std::ifstream file(path, std::ios::binary | std::ios::ate);
  if (!file) return {};
  const auto size = static_cast<std::uintmax_t>(file.tellg());
  // Two lines and a torn one behind them, each at most 64 KiB.
  const std::uintmax_t tail = std::min<std::uintmax_t>(size, 3 * (journal::max_line_bytes + 1));
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
fs::path last_file(const fs::path& folder, const std::optional<fs::path>& second) {
  fs::path last = folder / "journal.ndjson";
  const auto number_in = [&](const fs::path& where, int number) -> std::optional<fs::path> {
    std::error_code unknown;
    fs::path file = journal::continuation_name(where / "journal.ndjson", number);
    const auto size = fs::file_size(file, unknown);
    return !unknown && size > 0 ? std::optional(std::move(file)) : std::nullopt;
  };
  for (int number = 2;; ++number) {
    auto next = number_in(folder, number);
    if (!next && second) next = number_in(*second, number);
    if (!next) return last;
    last = *next;
  }
}

// How it says that it ended: by its closing record, with or without the seal behind it.
Result<std::optional<std::string>> ending_of(const std::vector<std::string>& last) {
  for (const auto& line : last) {
    const auto record = journal::parse_line(line);
    if (!record) return record.error();
    if (record->kind == "closing") return std::optional<std::string>(record->body.value("ending", ""));
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

StoredRun stored_run(const fs::path& folder, const std::optional<fs::path>& second) {
  StoredRun out;
  out.run = folder.filename().string();
  out.journal = folder / "journal.ndjson";
  const auto first = first_line(out.journal);
  const auto last = last_lines(last_file(folder, second));
  if (!first || last.empty()) {
    out.trouble = "the journal has no whole line";
    return out;
  }
  const auto opening = journal::parse_line(*first);
  const auto ending = ending_of(last);
  if (!opening || !ending) {
    out.trouble = (opening ? ending.error() : opening.error()).text();
    return out;
  }
  out.opened_utc = opening->utc;
  out.profile = opening->body.value("profile", "");
  out.bench = opening->body.value("bench", "");
  out.job = opening->body.value("job", "");
  out.ending = *ending;
  return out;
}

}  // namespace

std::string run_id(const std::string& profile, const std::string& utc) {
  std::string id;
  for (const char c : profile) {
    if ((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9'))
      id += c;
    else if (c >= 'A' && c <= 'Z')
      id += static_cast<char>(c - 'A' + 'a');
    else if (!id.empty() && id.back() != '-')
      id += '-';
    if (id.size() >= longest_slug) break;
  }
  while (!id.empty() && id.back() == '-') id.pop_back();
  if (id.empty()) id = "run";
  std::string digits;
  for (const char c : utc.substr(0, 19))
    if (c >= '0' && c <= '9') digits += c;
  return id + "-" + digits.substr(0, 8) + "-" + digits.substr(8);
}

Result<RunStore> RunStore::open(const fs::path& state, std::optional<fs::path> second) {
  std::error_code error;
  fs::create_directories(state / "runs", error);
  if (error) return Error{Errc::storage, "making the state folder", error.message(), (state / "runs").string()};
  const fs::path lock_path = state / "daemon.lock";
  const int lock = ::open(lock_path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
  if (lock < 0) return Error{Errc::storage, "locking the state folder", std::strerror(errno), lock_path.string()};
  if (::flock(lock, LOCK_EX | LOCK_NB) != 0) {
    ::close(lock);
    return Error{Errc::refused, "locking the state folder", "another nightwelld serves it; give another --state",
                 lock_path.string()};
  }
  return RunStore(state, std::move(second), lock);
}

RunStore::RunStore(RunStore&& other) noexcept
    : state_(std::move(other.state_)), second_(std::move(other.second_)), lock_(std::exchange(other.lock_, -1)) {}

RunStore::~RunStore() {
  if (lock_ >= 0) ::close(lock_);
}

fs::path RunStore::folder(const std::string& run) const {
  return run_folder(state_, run);
}

bool RunStore::first_told(const std::string& run) const {
  const journal::File mark(
      ::open((folder(run) / "unclosed-told").c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640));
  return mark.fd() >= 0 || errno != EEXIST;
}

Result<std::string> RunStore::make(const std::string& profile, const std::string& utc) {
  const std::string id = run_id(profile, utc);
  for (int attempt = 1; attempt < 100; ++attempt) {
    const std::string name = attempt == 1 ? id : id + "-" + std::to_string(attempt);
    std::error_code error;
    if (fs::create_directory(folder(name), error)) return name;
    if (error) return Error{Errc::storage, "making the run's folder", error.message(), folder(name).string()};
  }
  return Error{Errc::storage, "making the run's folder", "too many runs of one second", folder(id).string()};
}

std::vector<StoredRun> RunStore::list() const {
  std::vector<StoredRun> out;
  std::error_code error;
  for (const auto& entry : fs::directory_iterator(state_ / "runs", error))
    if (entry.is_directory())
      out.push_back(
          stored_run(entry.path(), second_ ? std::optional(*second_ / entry.path().filename()) : std::nullopt));
  std::sort(out.begin(), out.end(),
            [](const auto& a, const auto& b) { return std::tie(a.opened_utc, a.run) < std::tie(b.opened_utc, b.run); });
  return out;
}

}  // namespace nightwell::daemon
