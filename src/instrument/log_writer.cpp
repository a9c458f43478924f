#include "instrument/log_writer.hpp"

#include <fcntl.h>
#include <sched.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <condition_variable>
#include <csignal>
#include <cstring>
#include <mutex>
#include <string>
#include <system_error>
#include <thread>
#include <utility>

namespace nightwell::instrument {

struct LogWriter::Shared {
  std::filesystem::path file;
  Limits limits;
  std::mutex mutex;
  std::condition_variable changed;
  std::string waiting;   // whole lines
  std::size_t lost = 0;  // lines, after those waiting
  bool closing = false, done = false;
};

namespace {

void complain_about(const std::filesystem::path& file, int code) {
  const std::string line = "nightwell: recording to " + file.string() +
                           " failed: " + std::generic_category().message(code) + "; what is lost is counted there\n";
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

std::size_t lines_in(std::string_view text) {
  return static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n'));
}

// The thread's side: one file, written to its limit.
class File {
 public:
  explicit File(std::filesystem::path path, std::size_t most_bytes) : path_(std::move(path)), most_bytes_(most_bytes) {}
  File(const File&) = delete;
  File& operator=(const File&) = delete;
  ~File() {
    if (fd_ >= 0) ::close(fd_);
  }

  // `lost` lines stood behind these.
  void write(std::string_view lines, std::size_t lost) {
    if (ended_) return;
    if (lost_ > 0) {
      // What could not be written before comes first in the count.
      if (!append("!lost " + std::to_string(lost_) + "\n")) {
        lost_ += lines_in(lines) + lost;
        return;
      }
      lost_ = 0;
    }
    if (size_ + lines.size() > most_bytes_) {
      const std::string_view whole = lines.substr(0, most_bytes_ - std::min(most_bytes_, size_));
      const std::size_t end = whole.rfind('\n');
      const std::string_view fits = end == std::string_view::npos ? std::string_view() : whole.substr(0, end + 1);
      ended_ = append(fits) && append("!end at its limit of " + std::to_string(most_bytes_) + " bytes\n");
      if (!ended_) lost_ += lines_in(lines) + lost;
      return;
    }
    if (!append(lines))
      lost_ += lines_in(lines) + lost;
    else if (lost > 0 && !append("!lost " + std::to_string(lost) + "\n"))
      lost_ += lost;
  }
  // The last word where the disk took nothing more for a while.
  void close() {
    if (lost_ > 0 && !ended_) (void)append("!lost " + std::to_string(lost_) + "\n");
  }

 private:
  bool append(std::string_view text) {
    if (fd_ < 0 && !open()) return false;
    for (std::string_view rest = text; !rest.empty();) {
      const ssize_t done = ::write(fd_, rest.data(), rest.size());
      if (done < 0 && errno == EINTR) continue;
      if (done <= 0) {
        failed(done < 0 ? errno : ENOSPC);
        // No half lines in the middle: back to what was whole.
        [[maybe_unused]] const int cut = ::ftruncate(fd_, static_cast<off_t>(size_));
        return false;
      }
      rest.remove_prefix(static_cast<std::size_t>(done));
    }
    size_ += text.size();
    return true;
  }
  bool open() {
    std::error_code ignored;
    std::filesystem::create_directories(path_.parent_path(), ignored);
    fd_ = ::open(path_.c_str(), O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0640);
    if (fd_ < 0) return failed(errno), false;
    struct stat state {};
    if (::fstat(fd_, &state) == 0) size_ = static_cast<std::size_t>(state.st_size);
    return true;
  }
  void failed(int code) {
    if (!std::exchange(complained_, true)) complain_about(path_, code);
  }

  std::filesystem::path path_;
  std::size_t most_bytes_, size_ = 0, lost_ = 0;
  int fd_ = -1;
  bool ended_ = false, complained_ = false;
};

// A table of files of our own. Where the kernel refuses, we go on with the process's.
void keep_only_standard_files() {
  if (::unshare(CLONE_FILES) == 0) ::close_range(STDERR_FILENO + 1, ~0U, 0);
}

}  // namespace

LogWriter::LogWriter(std::filesystem::path file, Limits limits) : shared_(std::make_shared<Shared>()) {
  shared_->file = std::move(file);
  shared_->limits = limits;
  const auto write_all = [shared = shared_] {
    keep_only_standard_files();
    File out(shared->file, shared->limits.most_bytes);
    std::string lines;
    std::unique_lock lock(shared->mutex);
    for (;;) {
      shared->changed.wait(lock, [&] { return !shared->waiting.empty() || shared->lost > 0 || shared->closing; });
      const bool last = shared->closing;
      lines.clear();
      lines.swap(shared->waiting);
      const std::size_t lost = std::exchange(shared->lost, 0);
      lock.unlock();
      if (!lines.empty() || lost > 0) out.write(lines, lost);
      if (last) out.close();
      lock.lock();
      if (!last) continue;
      shared->done = true;
      shared->changed.notify_all();
      return;
    }
  };
  // Signals are for the thread that runs the loop.
  sigset_t all, before;
  sigfillset(&all);
  pthread_sigmask(SIG_SETMASK, &all, &before);
  try {
    std::thread(write_all).detach();
  } catch (const std::system_error& problem) {
    complain_about(shared_->file, problem.code().value());
    shared_->done = shared_->closing = true;
  }
  pthread_sigmask(SIG_SETMASK, &before, nullptr);
}

LogWriter::~LogWriter() {
  finish(std::chrono::milliseconds(0));
}

void LogWriter::add(std::string_view line) {
  const std::lock_guard lock(shared_->mutex);
  if (shared_->closing) return;
  // After the first that is lost all are, until the thread has taken what waits: the order tells where the gap is.
  if (shared_->lost > 0 || shared_->waiting.size() + line.size() >= shared_->limits.most_waiting) {
    ++shared_->lost;
    return;
  }
  shared_->waiting.append(line).append(1, '\n');
  shared_->changed.notify_all();
}

bool LogWriter::finish(std::chrono::milliseconds patience) {
  std::unique_lock lock(shared_->mutex);
  shared_->closing = true;
  shared_->changed.notify_all();
  return shared_->changed.wait_for(lock, patience, [this] { return shared_->done; });
}

}  // namespace nightwell::instrument
