#include "journal/file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <system_error>

#include "journal/composer.hpp"

namespace nightwell::journal {

namespace {

constexpr std::size_t buffer_bytes = 512 * 1024;
static_assert(buffer_bytes > 2 * (max_line_bytes + 1));

Error reading_failed(const std::filesystem::path& path, int number) {
  return {number == ENOENT ? Errc::not_found : Errc::storage, "reading a journal", system_text(number), path.string()};
}

}  // namespace

File& File::operator=(File&& other) noexcept {
  std::swap(fd_, other.fd_);
  return *this;
}

File::~File() {
  if (fd_ >= 0) ::close(fd_);
}

std::string system_text(int number) {
  return std::generic_category().message(number);
}

Result<File> open_for_reading(const std::filesystem::path& path) {
  // O_NONBLOCK: a FIFO in the place of a journal must not hold the reader for ever.
  File file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK)};
  if (file.fd() < 0) return reading_failed(path, errno);
  struct stat facts {};
  if (::fstat(file.fd(), &facts) != 0) return reading_failed(path, errno);
  if (!S_ISREG(facts.st_mode))
    return Error{Errc::storage, "reading a journal", "it is not a regular file", path.string()};
  return file;
}

Result<std::uint64_t> size_of(const File& file, const std::filesystem::path& path) {
  struct stat facts {};
  if (::fstat(file.fd(), &facts) != 0) return reading_failed(path, errno);
  return static_cast<std::uint64_t>(facts.st_size);
}

Result<std::string> read_from(const File& file, const std::filesystem::path& path, std::uint64_t offset,
                              std::size_t count) {
  std::string out(count, '\0');
  for (std::size_t have = 0; have < count;) {
    const ssize_t got = ::pread(file.fd(), out.data() + have, count - have, static_cast<off_t>(offset + have));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return reading_failed(path, errno);
    if (got == 0) return Error{Errc::storage, "reading a journal", "it has become shorter", path.string()};
    have += static_cast<std::size_t>(got);
  }
  return out;
}

Lines::Lines(File file, std::filesystem::path path, std::uint64_t offset)
    : file_(std::move(file)),
      path_(std::move(path)),
      buffer_(std::make_unique_for_overwrite<char[]>(buffer_bytes)),
      base_(offset) {}

Result<bool> Lines::fill() {
  if (begin_ > 0) {
    std::memmove(buffer_.get(), buffer_.get() + begin_, end_ - begin_);
    base_ += begin_;
    end_ -= begin_;
    searched_ -= begin_;
    begin_ = 0;
  }
  for (;;) {
    const ssize_t got =
        ::pread(file_.fd(), buffer_.get() + end_, buffer_bytes - end_, static_cast<off_t>(base_ + end_));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return reading_failed(path_, errno);
    end_ += static_cast<std::size_t>(got);
    return got > 0;
  }
}

Result<std::optional<Lines::Line>> Lines::next() {
  for (;;) {
    const char* from = buffer_.get() + searched_;
    const void* found = std::memchr(from, '\n', end_ - searched_);
    const std::size_t stop = found ? static_cast<std::size_t>(static_cast<const char*>(found) - buffer_.get()) : end_;
    if (stop - begin_ > max_line_bytes)
      return Error{Errc::damaged, "reading a journal",
                   "a line is longer than " + std::to_string(max_line_bytes) + " bytes, from byte " +
                       std::to_string(offset()) + " on",
                   path_.string()};
    if (found) {
      const Line line{{buffer_.get() + begin_, stop - begin_}, offset()};
      begin_ = searched_ = stop + 1;
      return std::optional<Line>(line);
    }
    searched_ = end_;
    const auto more = fill();
    if (!more) return more.error();
    if (!*more) return std::optional<Line>();
  }
}

std::string_view Lines::rest() const {
  return {buffer_.get() + begin_, end_ - begin_};
}

}  // namespace nightwell::journal
