// The guardian's small log, for people: one line for each thing it was asked, told the source, or said, with
// UTC. Written with one write(2) a line and never waited for; a full disk must not hold up an "off", so
// failures are ignored. A guardian that tries for days stays small: after `every_line_until` lines it keeps
// one in `then_one_in`.
#pragma once

#include <fcntl.h>
#include <unistd.h>

#include <cstdint>
#include <string>
#include <string_view>

#include "guardian/text.hpp"

namespace nightwell::guardian {

class Log {
 public:
  static constexpr std::uint64_t every_line_until = 10'000;
  static constexpr std::uint64_t then_one_in = 100;

  Log() = default;  // writes nowhere
  // Appends to `path`. A log that cannot be opened writes nowhere: ok() says so. Locked while it is open, so that others see
  // whether its guardian lives (setup_file.hpp).
  explicit Log(const std::string& path) : file_(::open(path.c_str(), O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0640)) {
    struct flock whole {};
    whole.l_type = F_WRLCK;
    if (file_ >= 0) ::fcntl(file_, F_OFD_SETLK, &whole);
  }
  ~Log() {
    if (file_ >= 0) ::close(file_);
  }
  Log(const Log&) = delete;
  Log& operator=(const Log&) = delete;

  [[nodiscard]] bool ok() const { return file_ >= 0; }

  void write(const std::string& utc, std::string_view text) {
    ++lines_;
    if (file_ < 0 || (lines_ > every_line_until && lines_ % then_one_in != 0)) return;
    std::string line = utc + " " + printable(text) + "\n";
    if (lines_ == every_line_until) line += utc + " from here on one line in " + std::to_string(then_one_in) + "\n";
    [[maybe_unused]] const auto written = ::write(file_, line.data(), line.size());
  }

 private:
  int file_ = -1;
  std::uint64_t lines_ = 0;
};

}  // namespace nightwell::guardian
