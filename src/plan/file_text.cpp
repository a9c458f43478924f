#include "plan/file_text.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>

namespace nightwell::plan {

namespace {

namespace fs = std::filesystem;

class Descriptor {
 public:
  explicit Descriptor(int number) : number_(number) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (number_ >= 0) ::close(number_);
  }
  [[nodiscard]] int number() const { return number_; }

 private:
  int number_;
};

std::string reason(int error) {
  return std::generic_category().message(error);
}

// Fills text or unread. One byte more than allowed is read, so that the loader sees that a file is too large.
void read_all(int descriptor, FileText& file) {
  char buffer[65536];
  while (file.text.size() <= largest_file) {
    const ssize_t got = ::read(descriptor, buffer, sizeof buffer);
    if (got == 0) return;
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) {
      file.unread = reason(errno);
      return;
    }
    file.text.append(buffer, static_cast<std::size_t>(got));
  }
}

}  // namespace

FileText read_file(const fs::path& path, std::string name) {
  FileText file;
  file.name = std::move(name);
  // Without O_NONBLOCK, a named pipe would hold us up until somebody writes.
  const Descriptor descriptor(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  struct stat facts {};
  if (descriptor.number() < 0 || ::fstat(descriptor.number(), &facts) != 0)
    file.unread = reason(errno);
  else if (!S_ISREG(facts.st_mode))
    file.unread = "it is not a regular file";
  else
    read_all(descriptor.number(), file);
  if (!file.unread.empty()) file.text.clear();
  return file;
}

FileText gather_one(const fs::path& path) {
  return read_file(path, path.string());
}

}  // namespace nightwell::plan
