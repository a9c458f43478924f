// Lines to a file, written by a thread of its own: whoever adds one never waits for the disk, however slow, full or hung
// it is. What does not fit in the queue, or cannot be written, is lost and counted: "!lost N" stands in its place. Beyond
// `most_bytes` nothing more is written, and "!end" says so.
//
// The thread has a table of open files of its own with nothing in it but the log and the standard three: a disk that hangs
// for ever holds no port and no socket of its process, even past the process's end.
//
// Lifetime: the destructor waits for nothing; the thread writes what is queued and ends by itself. finish() waits.
// Errors: none. The first failure is said on standard error; a later line is tried again.
#pragma once

#include <chrono>
#include <cstddef>
#include <filesystem>
#include <memory>
#include <string_view>

namespace nightwell::instrument {

class LogWriter {
 public:
  struct Limits {
    std::size_t most_bytes = 64UL << 20;
    std::size_t most_waiting = 1UL << 20;
  };
  // Appends to `file`; its folder is made where it is missing.
  LogWriter(std::filesystem::path file, Limits limits);
  LogWriter(const LogWriter&) = delete;
  LogWriter& operator=(const LogWriter&) = delete;
  ~LogWriter();

  // One line, without its LF.
  void add(std::string_view line);
  // Ends it; waits at most so long until all is written. False: it was not.
  bool finish(std::chrono::milliseconds patience);

 private:
  struct Shared;
  std::shared_ptr<Shared> shared_;
};

}  // namespace nightwell::instrument
