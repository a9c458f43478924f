// The system calls by which journals are written, so that a test can put a faulty disk in their place.
//
// Each gives what the call gives; where it fails, the negative errno instead of -1 and errno.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string_view>

namespace nightwell::journal {

// Which file it is, and how long.
struct FileFacts {
  std::uint64_t device = 0, inode = 0, size = 0;
};

class FileSystem {
 public:
  virtual ~FileSystem() = default;

  // A new file for appending, mode 0640 whatever the umask says; -EEXIST where one is. Gives the descriptor.
  virtual int create(const std::filesystem::path& path) = 0;
  virtual ssize_t write(int fd, std::string_view bytes) = 0;
  // fdatasync: the bytes, and the length to find them by.
  virtual int sync(int fd) = 0;
  // fsync of a folder: a new name in it is on disk.
  virtual int sync_folder(const std::filesystem::path& folder) = 0;
  // Makes sure that the file can grow to `bytes` without asking the disk for room again. Its length stays.
  virtual int reserve(int fd, std::uint64_t bytes) = 0;
  // Gives back what was reserved behind `size`, which is the file's length.
  virtual int give_back(int fd, std::uint64_t size) = 0;
  virtual int facts_of(int fd, FileFacts& out) = 0;
  virtual int facts_of(const std::filesystem::path& path, FileFacts& out) = 0;
  // Only the last part of the path: the rest must be there. 0 where it is there already.
  virtual int make_folder(const std::filesystem::path& path) = 0;
  virtual int remove(const std::filesystem::path& path) = 0;
  virtual void close(int fd) = 0;
};

// The machine's own.
[[nodiscard]] std::shared_ptr<FileSystem> real_file_system();

}  // namespace nightwell::journal
