// Keeps a log readable when somebody knocks all night: ten lines at once and one a second from then on, for each source; its next line
// tells how many were left out.
// Pure; memory is bounded: at most `most_sources` are told apart, all others share one.
#pragma once

#include <algorithm>
#include <chrono>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>

namespace nightwell::relay {

class LogLimit {
 public:
  using Time = std::chrono::steady_clock::time_point;
  static constexpr std::size_t most_sources = 256;
  static constexpr std::chrono::seconds most_saved{10},
      a_line{1};  // a line costs a second; a quiet source saves up ten

  // Nothing: not now. A number: say it, and that so many were left out before.
  std::optional<std::uint64_t> may(const std::string& source, Time now) {
    if (!sources_.contains(source) && sources_.size() >= most_sources) forget_quiet(now);
    const bool own = sources_.contains(source) || sources_.size() < most_sources;
    Source& at = sources_[own ? source : std::string()];
    at.paid_until = std::max(at.paid_until, now - most_saved);
    if (at.paid_until + a_line > now) {
      ++at.left_out;
      return std::nullopt;
    }
    at.paid_until += a_line;
    return std::exchange(at.left_out, 0);
  }

 private:
  struct Source {
    Time paid_until = Time::min();
    std::uint64_t left_out = 0;
  };

  void forget_quiet(Time now) {
    std::erase_if(sources_, [&](const auto& entry) { return entry.second.paid_until + most_saved <= now; });
  }

  std::map<std::string, Source> sources_;
};

}  // namespace nightwell::relay
