// One file of a journal while it is written: whole lines go in, and any failure is its last.
//
// Errors: storage. After one the segment is dead: every later call gives the same error, nothing is retried. After a failed
// fdatasync the kernel may have dropped the pages, and a second call would say that all is well; after a short write what
// follows would be torn as well.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "journal/file_system.hpp"
#include "nightwell/result.hpp"

namespace nightwell::journal {

class Segment {
 public:
  // Creates the file, which must not exist, and syncs its folder. Leaves no file where it fails.
  static Result<Segment> create(const std::filesystem::path& path, std::shared_ptr<FileSystem> files);
  Segment(Segment&& other) noexcept;
  Segment& operator=(Segment&& other) noexcept;
  ~Segment();

  // A single write(), no sync.
  Result<void> append(std::string_view lines);

  // Returns once all that was appended is on disk, in the file that still goes by this name.
  Result<void> sync();

  // Room for the file to grow to `bytes`. False: this file system cannot promise any. storage: there is no room; the segment
  // lives on with what it has.
  Result<bool> reserve(std::uint64_t bytes);
  // Gives back the room that was not used; no line may follow.
  void give_back();

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] std::uint64_t size() const { return size_; }

 private:
  Segment(std::filesystem::path path, int fd, std::shared_ptr<FileSystem> files, FileFacts facts);
  Error die(const char* doing, const std::string& reason);

  std::filesystem::path path_;
  int fd_ = -1;
  std::shared_ptr<FileSystem> files_;
  FileFacts facts_;  // of the file as it was created
  std::uint64_t size_ = 0;
  std::optional<Error> failed_;
};

}  // namespace nightwell::journal
