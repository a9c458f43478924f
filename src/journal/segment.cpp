#include "journal/segment.hpp"

#include <cerrno>
#include <utility>

#include "journal/file.hpp"

namespace nightwell::journal {

namespace {

constexpr const char* creating = "creating a journal";
constexpr const char* appending = "appending to a journal";
constexpr const char* syncing = "syncing a journal";
constexpr const char* reserving = "reserving room for a journal";

std::filesystem::path folder_of(const std::filesystem::path& path) {
  return path.has_parent_path() ? path.parent_path() : std::filesystem::path(".");
}

}  // namespace

Result<Segment> Segment::create(const std::filesystem::path& path, std::shared_ptr<FileSystem> files) {
  const int fd = files->create(path);
  if (fd == -EEXIST)
    return Error{Errc::storage, creating, "a file is there already; each run has its own journal", path.string()};
  if (fd < 0) return Error{Errc::storage, creating, system_text(-fd), path.string()};
  FileFacts facts;
  int failed = files->facts_of(fd, facts);
  if (failed >= 0) failed = files->sync_folder(folder_of(path));
  if (failed >= 0) return Segment(path, fd, std::move(files), facts);
  files->close(fd);
  files->remove(path);
  return Error{Errc::storage, creating, system_text(-failed), path.string()};
}

Segment::Segment(std::filesystem::path path, int fd, std::shared_ptr<FileSystem> files, FileFacts facts)
    : path_(std::move(path)), fd_(fd), files_(std::move(files)), facts_(facts) {}

Segment::Segment(Segment&& other) noexcept
    : path_(std::move(other.path_)),
      fd_(std::exchange(other.fd_, -1)),
      files_(std::move(other.files_)),
      facts_(other.facts_),
      size_(other.size_),
      failed_(std::move(other.failed_)) {}

Segment& Segment::operator=(Segment&& other) noexcept {
  std::swap(path_, other.path_);
  std::swap(fd_, other.fd_);
  std::swap(files_, other.files_);
  std::swap(facts_, other.facts_);
  std::swap(size_, other.size_);
  std::swap(failed_, other.failed_);
  return *this;
}

Segment::~Segment() {
  if (fd_ >= 0) files_->close(fd_);
}

Error Segment::die(const char* doing, const std::string& reason) {
  failed_ = Error{Errc::storage, doing, reason, path_.string()};
  return *failed_;
}

Result<void> Segment::append(std::string_view lines) {
  if (failed_) return *failed_;
  const ssize_t written = files_->write(fd_, lines);
  if (written < 0) return die(appending, system_text(static_cast<int>(-written)));
  size_ += static_cast<std::uint64_t>(written);
  if (static_cast<std::size_t>(written) != lines.size())
    return die(appending, "only " + std::to_string(written) + " of " + std::to_string(lines.size()) +
                              " bytes were taken: the disk is full, or the file has a size limit");
  return {};
}

Result<void> Segment::sync() {
  if (failed_) return *failed_;
  if (const int failed = files_->sync(fd_); failed < 0) return die(syncing, system_text(-failed));
  FileFacts there;
  if (const int failed = files_->facts_of(path_, there); failed < 0)
    return die(syncing, "it is no longer there under its name: " + system_text(-failed));
  if (there.device != facts_.device || there.inode != facts_.inode)
    return die(syncing, "another file stands in its place");
  if (there.size != size_)
    return die(syncing, "it has " + std::to_string(there.size) + " bytes where " + std::to_string(size_) +
                            " were written: somebody else changed it");
  return {};
}

Result<bool> Segment::reserve(std::uint64_t bytes) {
  if (failed_) return *failed_;
  const int result = files_->reserve(fd_, bytes);
  if (result >= 0) return true;
  if (result == -EOPNOTSUPP || result == -ENOSYS || result == -EINVAL) return false;
  return Error{Errc::storage, reserving, "no room for " + std::to_string(bytes) + " bytes: " + system_text(-result),
               path_.string()};
}

void Segment::give_back() {
  // Best effort: what is not given back is room, not evidence.
  if (!failed_) (void)files_->give_back(fd_, size_);
}

}  // namespace nightwell::journal
