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
  std::optional<SteadyClock::time_point> busy_since;  // with the copy's disk; guarded as well

  std::mutex telling;  // held around `tell`, and for what was told last; taken before the other one
  Tell tell;
  bool told_behind = false;

  void say_behind(const std::string& why) {
    const std::lock_guard lock(telling);
    if (!std::exchange(told_behind, true)) tell(News::behind, "the second copy is behind: " + why);
  }
  void say_caught_up() {
    const std::lock_guard lock(telling);
    if (std::exchange(told_behind, false)) tell(News::caught_up, "the second copy has caught up");
  }
  // Its disk answers nothing, so its own thread cannot say so.
  void look_for_hang() {
    {
      const std::lock_guard lock(mutex);
      if (!busy_since || SteadyClock::now() - *busy_since < longest_hang) return;
    }
    say_behind("its disk has answered nothing for " + std::to_string(longest_hang.count() / 1000) + " s");
  }
  std::chrono::milliseconds longest_hang{};
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
    if (failed) {
      target_ = File();  // what its pages hold is not known any more
      source_ = File();
    }
    return failed;
  }

  [[nodiscard]] std::uint64_t synced() const { return synced_; }

 private:
  [[nodiscard]] std::filesystem::path folder() const { return target_path_.parent_path(); }
  [[nodiscard]] std::filesystem::path share() const { return folder().parent_path(); }

  std::optional<std::string> open() {
    if (target_.fd() >= 0) return std::nullopt;
    if (source_.fd() < 0) source_ = File(::open(source_path_.c_str(), O_RDONLY | O_CLOEXEC));
    if (source_.fd() < 0) return source_path_.string() + ": " + system_text(errno);
    File target;
    if (auto failed = find(target)) return failed;
    if (!begins_like_source(target)) return target_path_.string() + ": what stands there is not this journal's copy";
    // What is behind the last synced byte may be anything.
    if (::fchmod(target.fd(), 0640) != 0 || ::ftruncate(target.fd(), static_cast<off_t>(synced_)) != 0 ||
        !sync_folder())
      return target_path_.string() + ": " + system_text(errno);
    target_ = std::move(target);
    return std::nullopt;
  }

  // The copy as it was left, be it on a share that was mounted anew; or a new one, on the device that was there at the start: never a
  // file that was there already, and never on the disk below a share that is not mounted.
  std::optional<std::string> find(File& target) {
    const int flags = O_RDWR | O_CLOEXEC | O_NOFOLLOW;
    if (made_) {
      target = File(::open(target_path_.c_str(), flags));
      if (target.fd() >= 0) return std::nullopt;
      if (errno != ENOENT) return target_path_.string() + ": " + system_text(errno);
    }
    if (!device_ || device_of(share()) != device_)
      return share().string() + ": it is not mounted as it was at the start";
    if (::mkdir(folder().c_str(), 0750) != 0 && errno != EEXIST) return folder().string() + ": " + system_text(errno);
    target = File(::open(target_path_.c_str(), flags | O_CREAT | O_EXCL, 0640));
    if (target.fd() < 0) return target_path_.string() + ": " + system_text(errno);
    made_ = true;
    return std::nullopt;
  }

  // Whether it holds what was copied, or the begin of it: synced_ is as far as it does.
  bool begins_like_source(const File& target) {
    struct stat facts {};
    if (::fstat(target.fd(), &facts) != 0) return false;
    const std::uint64_t held = std::min(synced_, static_cast<std::uint64_t>(facts.st_size));
    std::string here(block_bytes, '\0'), there(block_bytes, '\0');
    for (std::uint64_t at = 0; at < held; at += block_bytes) {
      const auto wanted = static_cast<std::size_t>(std::min<std::uint64_t>(block_bytes, held - at));
      const auto in_source = ::pread(source_.fd(), here.data(), wanted, static_cast<off_t>(at));
      const auto in_target = ::pread(target.fd(), there.data(), wanted, static_cast<off_t>(at));
      if (in_source != static_cast<ssize_t>(wanted) || in_target != in_source || here != there) return false;
    }
    synced_ = held;
    return true;
  }

  // An unmounted share takes what is written to a file that is open there, and nobody finds it again.
  [[nodiscard]] bool under_its_name() const {
    struct stat open {
    }, named{};
    return ::fstat(target_.fd(), &open) == 0 && ::stat(target_path_.c_str(), &named) == 0 &&
           open.st_dev == named.st_dev && open.st_ino == named.st_ino;
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
    if (!under_its_name()) return target_path_.string() + ": it is not there under its name any more";
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
  state->tell = std::move(tell);
  state->longest_hang = pauses.longest_hang;
  std::thread([state, files = CopyFiles(std::move(source), std::move(target)), pauses]() mutable {
    auto next = SteadyClock::now();
    std::optional<SteadyClock::time_point> given_up;  // once nothing more is offered
    for (bool last = false; !last;) {
      std::uint64_t wanted = 0;
      {
        std::unique_lock lock(state->mutex);
        state->changed.wait(lock, [&] { return state->offered > files.synced() || state->finishing; });
        state->changed.wait_until(lock, next, [&] { return state->finishing && !given_up; });
        wanted = state->offered;
        if (state->finishing && !given_up) given_up = SteadyClock::now() + pauses.after_end;
        last = given_up && wanted == files.synced();
        if (wanted != files.synced()) state->busy_since = SteadyClock::now();
      }
      if (wanted == files.synced()) continue;
      const auto failed = files.bring_up(wanted);
      bool all = false;
      {
        const std::lock_guard lock(state->mutex);
        state->synced = files.synced();
        state->busy_since.reset();
        all = state->synced == state->offered;
      }
      if (failed)
        state->say_behind(*failed);
      else if (all)
        state->say_caught_up();
      next = SteadyClock::now() + (failed ? pauses.after_error : pauses.between);
      last = given_up && (all || SteadyClock::now() >= *given_up);
    }
    const std::lock_guard lock(state->mutex);
    state->finished = true;
    state->changed.notify_all();
  }).detach();
  return std::shared_ptr<Copy>(new Copy(std::move(state)));
}

void Copy::offer(std::uint64_t bytes) {
  {
    const std::lock_guard lock(state_->mutex);
    state_->offered = bytes;
    state_->changed.notify_all();
  }
  state_->look_for_hang();
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
