// A disk in memory that fails, hangs and loses power on request, in the place of the machine's file system.
//
// What it keeps through a power cut: names whose folder was synced, and bytes that were synced. Of the rest it keeps anything: a
// file may be there or not, any length between what was synced and what was written, and each sector of 512 bytes in between as
// it was written or as zeros, in any order.
#pragma once

#include <cerrno>
#include <condition_variable>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "journal/file_system.hpp"

namespace nightwell::journal::fixture {

enum class Call { create, write, sync, sync_folder, reserve, give_back, facts, make_folder, remove };

inline const char* call_name(Call call) {
  constexpr const char* names[] = {"create",    "write", "sync",        "sync_folder", "reserve",
                                   "give_back", "facts", "make_folder", "remove"};
  return names[static_cast<int>(call)];
}

class FaultyDisk final : public FileSystem {
 public:
  struct Stored {
    std::string bytes;
    std::size_t synced = 0;  // bytes that a power cut leaves
    bool named = false;      // its folder was synced
    std::uint64_t inode = 0;
  };
  using Files = std::map<std::string, Stored>;

  // The nth call of that kind (from 1) gives -error; `and_all_after`: those behind it too.
  void fail(Call call, int nth, int error, bool and_all_after = false) { failure_ = {call, nth, error, and_all_after}; }
  // The nth write takes half of its bytes.
  void cut_short(int nth) { short_write_ = nth; }
  // The nth call of that kind waits for release().
  void hang(Call call, int nth) { hanging_ = {call, nth}; }
  void release() {
    const std::lock_guard lock(mutex_);
    released_ = true;
    changed_.notify_all();
  }
  // Waits until the call that hangs has been made; false where it will not be: the caller knows that all is done.
  void wait_for_hang() {
    std::unique_lock lock(mutex_);
    changed_.wait(lock, [&] { return hangs_; });
  }
  // Called before the nth call of any kind, with the files as they are then; of a write, also with half of it done.
  void at_call(int nth, std::function<void(const Files&)> look) { look_at_ = nth, look_ = std::move(look); }

  // Whether the fault that was asked for has happened.
  [[nodiscard]] bool struck() {
    const std::lock_guard lock(mutex_);
    return struck_;
  }
  [[nodiscard]] int calls() {
    const std::lock_guard lock(mutex_);
    return calls_;
  }
  [[nodiscard]] int calls(Call call) {
    const std::lock_guard lock(mutex_);
    return counts_[call];
  }
  [[nodiscard]] Files files() {
    const std::lock_guard lock(mutex_);
    return files_;
  }

  int create(const std::filesystem::path& path) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::create)) return error;
    if (files_.count(path.string())) return -EEXIST;
    files_[path.string()].inode = ++inodes_;
    open_.push_back(path.string());
    return static_cast<int>(open_.size()) - 1;
  }
  ssize_t write(int fd, std::string_view bytes) override {
    std::unique_lock lock(mutex_);
    Stored& file = files_[open_[static_cast<std::size_t>(fd)]];
    const bool last = calls_ + 1 == look_at_;
    if (const int error = before(lock, Call::write)) return error;
    if (last) {
      const std::size_t whole = file.bytes.size();
      file.bytes += bytes.substr(0, bytes.size() / 2);
      look_(files_);
      file.bytes.resize(whole);
    }
    if (counts_[Call::write] == short_write_) {
      bytes = bytes.substr(0, bytes.size() / 2);
      struck_ = true;
    }
    file.bytes += bytes;
    return static_cast<ssize_t>(bytes.size());
  }
  int sync(int fd) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::sync)) return error;
    Stored& file = files_[open_[static_cast<std::size_t>(fd)]];
    file.synced = file.bytes.size();
    return 0;
  }
  int sync_folder(const std::filesystem::path& folder) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::sync_folder)) return error;
    for (auto& [path, file] : files_)
      if (std::filesystem::path(path).parent_path() == folder) file.named = true;
    return 0;
  }
  int reserve(int, std::uint64_t) override {
    std::unique_lock lock(mutex_);
    return before(lock, Call::reserve);
  }
  int give_back(int, std::uint64_t) override {
    std::unique_lock lock(mutex_);
    return before(lock, Call::give_back);
  }
  int facts_of(int fd, FileFacts& out) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::facts)) return error;
    return tell(open_[static_cast<std::size_t>(fd)], out);
  }
  int facts_of(const std::filesystem::path& path, FileFacts& out) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::facts)) return error;
    return tell(path.string(), out);
  }
  int make_folder(const std::filesystem::path&) override {
    std::unique_lock lock(mutex_);
    return before(lock, Call::make_folder);
  }
  int remove(const std::filesystem::path& path) override {
    std::unique_lock lock(mutex_);
    if (const int error = before(lock, Call::remove)) return error;
    return files_.erase(path.string()) ? 0 : -ENOENT;
  }
  void close(int) override {}

 private:
  struct Failure {
    Call call = Call::create;
    int nth = 0, error = 0;
    bool and_all_after = false;
  };

  int before(std::unique_lock<std::mutex>& lock, Call call) {
    ++calls_;
    const int nth = ++counts_[call];
    if (calls_ == look_at_) look_(files_);
    if (hanging_ && hanging_->first == call && hanging_->second == nth) {
      hangs_ = true;
      changed_.notify_all();
      changed_.wait(lock, [&] { return released_; });
    }
    const bool fails = failure_.call == call && (nth == failure_.nth || (failure_.and_all_after && nth > failure_.nth));
    struck_ = struck_ || fails;
    return fails ? -failure_.error : 0;
  }

  int tell(const std::string& path, FileFacts& out) {
    const auto found = files_.find(path);
    if (found == files_.end()) return -ENOENT;
    out = {1, found->second.inode, found->second.bytes.size()};
    return 0;
  }

  std::mutex mutex_;
  std::condition_variable changed_;
  Files files_;
  std::vector<std::string> open_;
  std::map<Call, int> counts_;
  int calls_ = 0, look_at_ = 0, short_write_ = 0;
  std::uint64_t inodes_ = 0;
  Failure failure_;
  std::optional<std::pair<Call, int>> hanging_;
  bool hangs_ = false, released_ = false, struck_ = false;
  std::function<void(const Files&)> look_;
};

// One of the many states in which a power cut may leave the files.
inline std::map<std::string, std::string> after_power_cut(const FaultyDisk::Files& files, std::mt19937_64& random) {
  constexpr std::size_t sector = 512;
  const auto coin = [&] { return std::uniform_int_distribution<int>(0, 1)(random) == 1; };
  std::map<std::string, std::string> out;
  for (const auto& [path, file] : files) {
    if (!file.named && coin()) continue;
    std::string bytes = file.bytes;
    bytes.resize(std::uniform_int_distribution<std::size_t>(file.synced, bytes.size())(random));
    if (coin())  // some disks write in order
      for (std::size_t at = file.synced; at < bytes.size();) {
        const std::size_t end = std::min(bytes.size(), (at / sector + 1) * sector);
        if (coin()) std::fill(bytes.begin() + static_cast<long>(at), bytes.begin() + static_cast<long>(end), '\0');
        at = end;
      }
    out[path] = std::move(bytes);
  }
  return out;
}

}  // namespace nightwell::journal::fixture
