#include "journal/copy.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <condition_variable>
#include <mutex>
#include <optional>
#include <string_view>
#include <thread>
#include <vector>

#include "journal/file.hpp"

namespace nightwell::journal {

namespace {

using SteadyClock = std::chrono::steady_clock;
constexpr std::size_t block_bytes = 256 * 1024;

std::optional<dev_t> device_of(const std::filesystem::path& folder) {
  struct stat facts {};
  if (::stat(folder.c_str(), &facts) != 0) return std::nullopt;
  return facts.st_dev;
}

}  // namespace

struct Copy::State {
  std::mutex mutex;
  std::condition_variable changed;
  std::uint64_t offered = 0, synced = 0;  // these four are guarded by the mutex
  bool finishing = false, finished = false;
};

namespace {

// The files of a copy; belongs to its thread.
class CopyFiles {
 public:
  CopyFiles(std::filesystem::path source, std::filesystem::path target)
      : source_path_(std::move(source)), target_path_(std::move(target)), device_(device_of(share())) {}

  // Brings the copy up to `bytes`, on disk. Gives what failed.
  std::optional<std::string> bring_up(std::uint64_t bytes) {
    auto failed = open();
    if (!failed) failed = copy(bytes);
    if (failed) target_ = File();  // what its pages hold is not known any more
    return failed;
  }

  [[nodiscard]] std::uint64_t synced() const { return synced_; }

 private:
  [[nodiscard]] std::filesystem::path folder() const { return target_path_.parent_path(); }
  [[nodiscard]] std::filesystem::path share() const { return folder().parent_path(); }

  std::optional<std::string> open() {
    if (target_.fd() >= 0) return std::nullopt;
    if (!device_ || device_of(share()) != device_)
      return share().string() + ": it is not mounted as it was at the start";
    if (source_.fd() < 0) source_ = File(::open(source_path_.c_str(), O_RDONLY | O_CLOEXEC));
    if (source_.fd() < 0) return source_path_.string() + ": " + system_text(errno);
    if (::mkdir(folder().c_str(), 0750) != 0 && errno != EEXIST) return folder().string() + ": " + system_text(errno);
    File target(::open(target_path_.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW | (made_ ? 0 : O_EXCL), 0640));
    if (target.fd() < 0) return target_path_.string() + ": " + system_text(errno);
    made_ = true;
    // What is behind the last synced byte may be anything.
    if (::fchmod(target.fd(), 0640) != 0 || ::ftruncate(target.fd(), static_cast<off_t>(synced_)) != 0 ||
        !sync_folder())
      return target_path_.string() + ": " + system_text(errno);
    target_ = std::move(target);
    return std::nullopt;
  }

  [[nodiscard]] bool sync_folder() const {
    const File file(::open(folder().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
    return file.fd() >= 0 && ::fsync(file.fd()) == 0;
  }

  std::optional<std::string> copy(std::uint64_t bytes) {
    block_.resize(block_bytes);
    for (std::uint64_t at = synced_; at < bytes;) {
      const std::size_t wanted = static_cast<std::size_t>(std::min<std::uint64_t>(block_bytes, bytes - at));
      const ssize_t got = ::pread(source_.fd(), block_.data(), wanted, static_cast<off_t>(at));
      if (got <= 0) return source_path_.string() + ": " + (got < 0 ? system_text(errno) : "it has become shorter");
      const ssize_t put = ::pwrite(target_.fd(), block_.data(), static_cast<std::size_t>(got), static_cast<off_t>(at));
      if (put <= 0) return target_path_.string() + ": " + system_text(errno);
      at += static_cast<std::uint64_t>(put);
    }
    if (::fdatasync(target_.fd()) != 0) return target_path_.string() + ": " + system_text(errno);
    synced_ = bytes;
    return std::nullopt;
  }

  std::filesystem::path source_path_, target_path_;
  std::optional<dev_t> device_;  // of the share, as it was at the start
  File source_, target_;
  bool made_ = false;
  std::uint64_t synced_ = 0;
  std::vector<char> block_;
};

}  // namespace

std::shared_ptr<Copy> Copy::start(std::filesystem::path source, std::filesystem::path target, Tell tell,
                                  Pauses pauses) {
  auto state = std::make_shared<State>();
  std::thread([state, files = CopyFiles(std::move(source), std::move(target)), tell = std::move(tell),
               pauses]() mutable {
    auto next = SteadyClock::now();
    bool behind = false;
    for (bool last = false; !last;) {
      std::uint64_t wanted = 0;
      {
        std::unique_lock lock(state->mutex);
        state->changed.wait(lock, [&] { return state->offered > files.synced() || state->finishing; });
        state->changed.wait_until(lock, next, [&] { return state->finishing; });
        wanted = state->offered;
        last = state->finishing;
      }
      if (wanted == files.synced()) continue;
      const auto failed = files.bring_up(wanted);
      {
        const std::lock_guard lock(state->mutex);
        state->synced = files.synced();
      }
      if (failed && !behind) tell(News::behind, "the second copy is behind: " + *failed);
      if (!failed && behind) tell(News::caught_up, "the second copy has caught up");
      behind = failed.has_value();
      next = SteadyClock::now() + (failed ? pauses.after_error : pauses.between);
    }
    const std::lock_guard lock(state->mutex);
    state->finished = true;
    state->changed.notify_all();
  }).detach();
  return std::shared_ptr<Copy>(new Copy(std::move(state)));
}

void Copy::offer(std::uint64_t bytes) {
  const std::lock_guard lock(state_->mutex);
  state_->offered = bytes;
  state_->changed.notify_all();
}

std::uint64_t Copy::behind() const {
  const std::lock_guard lock(state_->mutex);
  return state_->offered - state_->synced;
}

void Copy::finish() {
  const std::lock_guard lock(state_->mutex);
  state_->finishing = true;
  state_->changed.notify_all();
}

bool Copy::wait(std::chrono::milliseconds patience) {
  std::unique_lock lock(state_->mutex);
  return state_->changed.wait_for(lock, patience, [&] { return state_->finished; });
}

}  // namespace nightwell::journal
