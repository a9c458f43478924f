#include "journal/file_system.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>

namespace nightwell::journal {

namespace {

int told(int result) {
  return result < 0 ? -errno : result;
}

int give_facts(int result, const struct stat& facts, FileFacts& out) {
  if (result != 0) return -errno;
  out = {facts.st_dev, facts.st_ino, static_cast<std::uint64_t>(facts.st_size)};
  return 0;
}

class RealFileSystem final : public FileSystem {
 public:
  int create(const std::filesystem::path& path) override {
    const int fd = ::open(path.c_str(), O_WRONLY | O_APPEND | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0) return -errno;
    // fchmod: the umask must not keep the group, which may read journals, out.
    if (::fchmod(fd, 0640) == 0) return fd;
    const int number = errno;
    ::close(fd);
    ::unlink(path.c_str());
    return -number;
  }
  ssize_t write(int fd, std::string_view bytes) override {
    ssize_t written = 0;
    do {
      written = ::write(fd, bytes.data(), bytes.size());
    } while (written < 0 && errno == EINTR);  // nothing was written yet
    return written < 0 ? -errno : written;
  }
  int sync(int fd) override { return told(::fdatasync(fd)); }
  int sync_folder(const std::filesystem::path& folder) override {
    const int fd = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) return -errno;
    const int synced = told(::fsync(fd));
    ::close(fd);
    return synced;
  }
  int reserve(int fd, std::uint64_t bytes) override {
    return told(::fallocate(fd, FALLOC_FL_KEEP_SIZE, 0, static_cast<off_t>(bytes)));
  }
  int give_back(int fd, std::uint64_t size) override { return told(::ftruncate(fd, static_cast<off_t>(size))); }
  int facts_of(int fd, FileFacts& out) override {
    struct stat facts {};
    const int result = ::fstat(fd, &facts);
    return give_facts(result, facts, out);
  }
  int facts_of(const std::filesystem::path& path, FileFacts& out) override {
    struct stat facts {};
    const int result = ::lstat(path.c_str(), &facts);
    return give_facts(result, facts, out);
  }
  int make_folder(const std::filesystem::path& path) override {
    return ::mkdir(path.c_str(), 0750) == 0 || errno == EEXIST ? 0 : -errno;
  }
  int remove(const std::filesystem::path& path) override { return told(::unlink(path.c_str())); }
  void close(int fd) override { ::close(fd); }
};

}  // namespace

std::shared_ptr<FileSystem> real_file_system() {
  static const auto file_system = std::make_shared<RealFileSystem>();
  return file_system;
}

}  // namespace nightwell::journal
