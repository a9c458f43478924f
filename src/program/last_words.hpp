// What a driver's program writes to standard error: the lines that may be passed on, and the last of them. Pure.
//
// At most lines_at_once lines in `window`, cut and printable; how many more there were is said once the next line may pass.
#pragma once

#include <chrono>
#include <cstddef>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::program {

class LastWords {
 public:
  using Moment = std::chrono::steady_clock::time_point;
  static constexpr int lines_at_once = 20;
  static constexpr std::chrono::seconds window{10};
  static constexpr std::size_t longest = 300;  // bytes of a line

  // The lines to pass on.
  std::vector<std::string> add(std::string_view bytes, Moment now) {
    std::vector<std::string> out;
    for (const char c : bytes) {
      if (c == '\n')
        end_line(now, out);
      else if (held_.size() < longest)
        held_ += c;
    }
    return out;
  }
  // The last line, ended or not; empty: it said nothing.
  [[nodiscard]] std::string last() const {
    return instrument::printable(held_.empty() ? std::string_view(last_) : std::string_view(held_), longest);
  }

 private:
  void end_line(Moment now, std::vector<std::string>& out) {
    if (held_.empty()) return;
    last_ = std::exchange(held_, std::string());
    if (now - since_ >= window) {
      if (dropped_ > 0) out.push_back("(" + std::to_string(dropped_) + " more lines were dropped)");
      since_ = now;
      passed_ = 0;
      dropped_ = 0;
    }
    if (passed_++ < lines_at_once)
      out.push_back(instrument::printable(last_, longest));
    else
      ++dropped_;
  }

  std::string held_, last_;
  Moment since_{};
  int passed_ = 0;
  long dropped_ = 0;
};

}  // namespace nightwell::program
