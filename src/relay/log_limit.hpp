// Keeps a log readable when somebody knocks all night: a line a second and source, and in its next line how many were left out.
// Pure; memory is bounded: at most `most_sources` are told apart, all others share one.
#pragma once

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

  // Nothing: not now. A number: say it, and that so many were left out before.
  std::optional<std::uint64_t> may(const std::string& source, Time now) {
    if (!sources_.contains(source) && sources_.size() >= most_sources) forget_old(now);
    Source& at = sources_[sources_.contains(source) || sources_.size() < most_sources ? source : ""];
    if (at.spoke && now - *at.spoke < std::chrono::seconds(1)) {
      ++at.left_out;
      return std::nullopt;
    }
    at.spoke = now;
    return std::exchange(at.left_out, 0);
  }

 private:
  struct Source {
    std::optional<Time> spoke;
    std::uint64_t left_out = 0;
  };

  void forget_old(Time now) {
    std::erase_if(sources_, [&](const auto& entry) { return now - *entry.second.spoke > std::chrono::minutes(1); });
  }

  std::map<std::string, Source> sources_;
};

}  // namespace nightwell::relay
