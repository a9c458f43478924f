#include "remote/run_copy.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>

namespace nightwell::remote {

namespace {

namespace fs = std::filesystem;
constexpr const char* keeping = "keeping a copy";

Error copy_failed(const fs::path& path, const std::string& why) {
  return {Errc::storage, keeping, why, path.string()};
}

Result<journal::File> open_to_append(const fs::path& path) {
  journal::File file{::open(path.c_str(), O_RDWR | O_CREAT | O_APPEND | O_CLOEXEC | O_NOFOLLOW | O_NOCTTY, 0640)};
  if (file.fd() < 0) return copy_failed(path, journal::system_text(errno));
  if (::flock(file.fd(), LOCK_EX | LOCK_NB) != 0)
    return copy_failed(path, errno == EWOULDBLOCK ? "another program keeps this copy" : journal::system_text(errno));
  return file;
}

Result<void> append_to(const journal::File& file, const fs::path& path, std::string& text) {
  std::string_view rest = text;
  while (!rest.empty()) {
    const ssize_t done = ::write(file.fd(), rest.data(), rest.size());
    if (done < 0 && errno == EINTR) continue;
    if (done < 0) return copy_failed(path, journal::system_text(errno));
    rest.remove_prefix(static_cast<std::size_t>(done));
  }
  text.clear();
  return {};
}

Result<void> cut_to(const journal::File& file, const fs::path& path, std::uint64_t bytes) {
  if (::ftruncate(file.fd(), static_cast<off_t>(bytes)) != 0) return copy_failed(path, journal::system_text(errno));
  return {};
}

Result<journal::File> another_handle(const fs::path& path) {
  return journal::open_for_reading(path);
}

// Where the last whole line of the heads ends. They are no chain: only their form as lines counts here.
Result<std::uint64_t> whole_lines(const fs::path& path) {
  auto file = another_handle(path);
  if (!file) return file.error();
  journal::Lines lines(std::move(file).value(), path);
  for (;;) {
    const auto line = lines.next();
    if (!line) return line.error();
    if (!*line) return lines.offset();
  }
}

Result<void> sync_folder(const fs::path& path) {
  const journal::File folder{::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
  if (folder.fd() < 0 || ::fsync(folder.fd()) != 0) return copy_failed(path, journal::system_text(errno));
  return {};
}

// A file that was removed takes all that is written, and nobody will find it.
Result<void> still_in_place(const journal::File& file, const fs::path& path) {
  struct stat held {
  }, there{};
  if (::fstat(file.fd(), &held) != 0) return copy_failed(path, journal::system_text(errno));
  if (::lstat(path.c_str(), &there) != 0)
    return copy_failed(path, errno == ENOENT || errno == ENOTDIR
                                 ? "it was removed or moved away while it was kept: call tail again for a new one"
                                 : journal::system_text(errno));
  if (held.st_dev != there.st_dev || held.st_ino != there.st_ino)
    return copy_failed(path, "another file stands in its place, put there while it was kept: look what it is");
  return {};
}

}  // namespace

Result<RunCopy> RunCopy::open(const fs::path& folder, const std::string& run,
                              const std::function<void(std::string_view)>& visit) {
  const fs::path path = journal_in(folder, run), heads_path = path.parent_path() / "heads.ndjson";
  std::error_code error;
  fs::create_directories(path.parent_path(), error);
  if (error) return copy_failed(path.parent_path(), error.message());
  auto journal = open_to_append(path);
  if (!journal) return journal.error();
  auto heads = open_to_append(heads_path);
  if (!heads) return heads.error();
  if (const auto synced = sync_folder(path.parent_path()); !synced) return synced.error();
  if (const auto synced = sync_folder(path.parent_path().parent_path()); !synced) return synced.error();

  RunCopy out(path, std::move(journal).value(), std::move(heads).value());
  auto file = another_handle(path);
  if (!file) return file.error();
  journal::Lines lines(std::move(file).value(), path);
  for (;;) {
    const auto line = lines.next();
    if (!line) return line.error();
    if (!*line) break;
    if (const auto accepted = out.check_.accept((*line)->text); !accepted) return accepted.error();
    visit((*line)->text);
  }
  out.cut_ = lines.rest().size();
  if (out.cut_ > 0)
    if (const auto cut = cut_to(out.journal_, path, lines.offset()); !cut) return cut.error();
  const auto whole = whole_lines(heads_path);
  if (!whole) return whole.error();
  if (const auto cut = cut_to(out.heads_, heads_path, *whole); !cut) return cut.error();
  return out;
}

void RunCopy::append(std::string_view line) {
  waiting_ += line;
  waiting_ += '\n';
}

void RunCopy::append_head(std::string_view line) {
  waiting_heads_ += line;
  waiting_heads_ += '\n';
}

Result<bool> RunCopy::write() {
  if (waiting_.empty() && waiting_heads_.empty()) return unsynced_;
  unsynced_ = true;
  if (const auto done = append_to(journal_, path_, waiting_); !done) return done.error();
  if (const auto done = append_to(heads_, path_.parent_path() / "heads.ndjson", waiting_heads_); !done)
    return done.error();
  return true;
}

Result<void> RunCopy::sync() {
  if (auto there = still_in_place(journal_, path_); !there) return there;
  if (auto there = still_in_place(heads_, path_.parent_path() / "heads.ndjson"); !there) return there;
  if (!unsynced_) return {};
  if (::fdatasync(journal_.fd()) != 0 || ::fdatasync(heads_.fd()) != 0)
    return copy_failed(path_, journal::system_text(errno));
  unsynced_ = false;
  return {};
}

}  // namespace nightwell::remote
