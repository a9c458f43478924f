// An open file, and the whole lines in it.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "nightwell/result.hpp"

namespace nightwell::journal {

// Owns a file descriptor; -1 is none.
class File {
 public:
  explicit File(int fd = -1) : fd_(fd) {}
  File(File&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  File& operator=(File&& other) noexcept;
  ~File();
  [[nodiscard]] int fd() const { return fd_; }
  [[nodiscard]] int release() { return std::exchange(fd_, -1); }

 private:
  int fd_;
};

// "No space left on device" and the like, for `errno` values.
[[nodiscard]] std::string system_text(int number);

// Opens a regular file for reading. Errors: not_found, storage (no permission, not a regular file).
Result<File> open_for_reading(const std::filesystem::path& path);

// How many bytes it has now. Errors: storage.
Result<std::uint64_t> size_of(const File& file, const std::filesystem::path& path);

// `count` bytes from `offset` on. Errors: storage (also where the file has fewer).
Result<std::string> read_from(const File& file, const std::filesystem::path& path, std::uint64_t offset,
                              std::size_t count);

// Hands out a file's lines from an offset on, without their LF. Reads to the end of the file as it is when
// asked: a file that grows gives more lines later.
class Lines {
 public:
  struct Line {
    std::string_view text;  // valid until the next call
    std::uint64_t offset = 0;
  };

  Lines(File file, std::filesystem::path path, std::uint64_t offset = 0);

  // The next whole line; nullopt at the end of what is there.
  // Errors: storage (the read failed), damaged (a line is longer than max_line_bytes).
  Result<std::optional<Line>> next();

  // The bytes behind the last whole line, once next() has given nullopt.
  [[nodiscard]] std::string_view rest() const;
  // Where the next line starts.
  [[nodiscard]] std::uint64_t offset() const { return base_ + begin_; }

 private:
  Result<bool> fill();

  File file_;
  std::filesystem::path path_;
  std::unique_ptr<char[]> buffer_;  // not zeroed: journals are opened often, and most are short
  std::uint64_t base_;              // file offset of buffer_[0]
  std::size_t begin_ = 0;           // first byte not handed out
  std::size_t searched_ = 0;        // no LF in [begin_, searched_)
  std::size_t end_ = 0;
};

}  // namespace nightwell::journal
