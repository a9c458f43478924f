// A file that appears under its name whole, or not at all.
//
// Written under a temporary name beside it, synced, then renamed. What was not put in place is removed again. Where it takes a
// file's place it has that one's mode and, as far as this user may give them, its owner and group.
// Errors: storage (it cannot be written, the disk is full), bad_input (a file of that name is there, and must stay).
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <optional>
#include <string_view>

#include "journal/file.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

class NewFile {
 public:
  // `mode`: of a file that takes no other's place, whatever the umask; without it 0644 less the umask.
  static Result<NewFile> create(const std::filesystem::path& path, std::optional<mode_t> mode = std::nullopt);
  NewFile(NewFile&& other) noexcept;
  NewFile& operator=(NewFile&&) = delete;
  ~NewFile();

  Result<void> write(std::string_view text);
  // Everything on the disk, still under the temporary name.
  Result<void> sync();
  // Gives it its name. Without `over` a file that is there by then stays, and this fails.
  Result<void> put_in_place(bool over);

 private:
  NewFile(journal::File file, std::filesystem::path path, std::filesystem::path temporary);
  [[nodiscard]] Error failed(int number) const;

  journal::File file_;
  std::filesystem::path path_, temporary_;  // temporary_ is empty once there is none to remove
};

}  // namespace nightwell::cli
