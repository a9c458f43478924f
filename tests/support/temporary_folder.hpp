// A folder of its own that goes when the test ends.
#pragma once

#include <stdlib.h>

#include <cerrno>
#include <filesystem>
#include <string>
#include <system_error>

namespace nightwell::tests {

class TemporaryFolder {
 public:
  // Throws std::filesystem::filesystem_error where `in` cannot hold one.
  explicit TemporaryFolder(const std::filesystem::path& in = std::filesystem::temp_directory_path()) {
    std::string pattern = (in / "nightwell-XXXXXX").string();
    if (::mkdtemp(pattern.data()) == nullptr)
      throw std::filesystem::filesystem_error("no temporary folder", in, {errno, std::generic_category()});
    path_ = pattern;
  }
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  ~TemporaryFolder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  [[nodiscard]] std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

}  // namespace nightwell::tests
