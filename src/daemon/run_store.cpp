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

std::vector<journal::StoredRun> RunStore::list() const {
  auto out = journal::stored_runs(state_ / "runs", second_.value_or(""));
  return out ? std::move(out).value() : std::vector<journal::StoredRun>();
}

}  // namespace nightwell::daemon
