#include "cli/new_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <string>
#include <utility>

namespace nightwell::cli {
namespace {

constexpr const char* writing = "writing a file";

// 0, or what went wrong. Owner and group first: a change of them takes bits from the mode.
int take_after(int file, const struct stat& old) {
  struct stat own {};
  if (::fstat(file, &own) != 0) return errno;
  mode_t mode = old.st_mode & 0777;
  if (own.st_uid != old.st_uid) (void)!::fchown(file, old.st_uid, static_cast<gid_t>(-1));
  // What its group might do, another group may not.
  if (own.st_gid != old.st_gid && ::fchown(file, static_cast<uid_t>(-1), old.st_gid) != 0)
    mode = (mode & ~static_cast<mode_t>(070)) | ((mode & 07) << 3);
  // Where modes are none (a stick's file system), none is asked for.
  if (::fstat(file, &own) == 0 && (own.st_mode & 0777) == mode) return 0;
  return ::fchmod(file, mode) == 0 ? 0 : errno;
}

}  // namespace

NewFile::NewFile(journal::File file, std::filesystem::path path, std::filesystem::path temporary)
    : file_(std::move(file)), path_(std::move(path)), temporary_(std::move(temporary)) {}

NewFile::NewFile(NewFile&& other) noexcept
    : file_(std::move(other.file_)), path_(std::move(other.path_)), temporary_(std::move(other.temporary_)) {
  other.temporary_.clear();
}

NewFile::~NewFile() {
  if (!temporary_.empty()) ::unlink(temporary_.c_str());
}

Error NewFile::failed(int number) const {
  return {Errc::storage, writing, journal::system_text(number), path_.string()};
}

Result<NewFile> NewFile::create(const std::filesystem::path& path, std::optional<mode_t> mode) {
  std::filesystem::path temporary = path;
  temporary += ".part-" + std::to_string(::getpid());
  journal::File file{::open(temporary.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0644)};
  if (file.fd() < 0) return Error{Errc::storage, writing, journal::system_text(errno), temporary.string()};
  NewFile out(std::move(file), path, std::move(temporary));
  struct stat old {};
  int number = 0;
  if (::stat(path.c_str(), &old) == 0 && S_ISREG(old.st_mode))
    number = take_after(out.file_.fd(), old);
  else if (mode && ::fchmod(out.file_.fd(), *mode) != 0)
    number = errno;
  if (number != 0) return out.failed(number);
  return out;
}

Result<void> NewFile::write(std::string_view text) {
  while (!text.empty()) {
    const ssize_t done = ::write(file_.fd(), text.data(), text.size());
    if (done < 0 && errno == EINTR) continue;
    if (done < 0) return failed(errno);
    text.remove_prefix(static_cast<std::size_t>(done));
  }
  return {};
}

Result<void> NewFile::sync() {
  if (::fsync(file_.fd()) != 0) return failed(errno);
  return {};
}

Result<void> NewFile::put_in_place(bool over) {
  int done = ::renameat2(AT_FDCWD, temporary_.c_str(), AT_FDCWD, path_.c_str(), over ? 0 : RENAME_NOREPLACE);
  if (done != 0 && errno == EINVAL && !over) {
    // A file system without that promise: look first, then rename.
    std::error_code error;
    if (std::filesystem::exists(std::filesystem::symlink_status(path_, error)))
      errno = EEXIST;
    else
      done = ::rename(temporary_.c_str(), path_.c_str());
  }
  if (done != 0 && errno == EEXIST)
    return Error{Errc::bad_input, writing, "a file of that name is there; --force replaces it", path_.string()};
  if (done != 0) return failed(errno);
  temporary_.clear();
  return {};
}

}  // namespace nightwell::cli
