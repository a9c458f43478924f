#include "daemon/run_store.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>

#include "journal/reader.hpp"
#include "nightwell/folders.hpp"

namespace nightwell::daemon {

namespace {

namespace fs = std::filesystem;

constexpr std::size_t longest_slug = 40;

// The journal's last whole line, found from the end: journals of a night are long.
std::optional<std::string> last_line(const fs::path& path) {
  std::ifstream file(path, std::ios::binary | std::ios::ate);
  if (!file) return std::nullopt;
  const auto size = static_cast<std::uintmax_t>(file.tellg());
  // One line and a torn one behind it, each at most 64 KiB.
  const std::uintmax_t tail = std::min<std::uintmax_t>(size, 2 * 64 * 1024 + 2);
  std::string bytes(tail, '\0');
  file.seekg(static_cast<std::streamoff>(size - tail));
  file.read(bytes.data(), static_cast<std::streamsize>(tail));
  const auto end = bytes.rfind('\n');
  if (end == std::string::npos) return std::nullopt;
  const auto begin = end == 0 ? std::string::npos : bytes.rfind('\n', end - 1);
  return bytes.substr(begin == std::string::npos ? 0 : begin + 1, end - (begin == std::string::npos ? 0 : begin + 1));
}

std::optional<std::string> first_line(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::string line;
  if (!std::getline(file, line) || file.eof()) return std::nullopt;
  return line;
}

StoredRun stored_run(const fs::path& folder) {
  StoredRun out;
  out.run = folder.filename().string();
  out.journal = folder / "journal.ndjson";
  const auto first = first_line(out.journal);
  const auto last = last_line(out.journal);
  if (!first || !last) {
    out.trouble = "the journal has no whole line";
    return out;
  }
  const auto opening = journal::parse_line(*first);
  const auto end = journal::parse_line(*last);
  if (!opening || !end) {
    out.trouble = (opening ? end.error() : opening.error()).text();
    return out;
  }
  out.opened_utc = opening->utc;
  out.profile = opening->body.value("profile", "");
  out.bench = opening->body.value("bench", "");
  out.job = opening->body.value("job", "");
  if (end->kind == "closing") out.ending = end->body.value("ending", "");
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

Result<RunStore> RunStore::open(const fs::path& state) {
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
  return RunStore(state, lock);
}

RunStore::RunStore(RunStore&& other) noexcept
    : state_(std::move(other.state_)), lock_(std::exchange(other.lock_, -1)) {}

RunStore::~RunStore() {
  if (lock_ >= 0) ::close(lock_);
}

fs::path RunStore::folder(const std::string& run) const {
  return run_folder(state_, run);
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
    if (entry.is_directory()) out.push_back(stored_run(entry.path()));
  std::sort(out.begin(), out.end(),
            [](const auto& a, const auto& b) { return std::tie(a.opened_utc, a.run) < std::tie(b.opened_utc, b.run); });
  return out;
}

}  // namespace nightwell::daemon
