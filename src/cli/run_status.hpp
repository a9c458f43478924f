// Following one run through the daemon: which run is meant, how it stands, and how it ended.
#pragma once

#include <chrono>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "cli/context.hpp"

namespace nightwell::cli {

// The STATUS of the run named, or of the only open one where `run` is empty. Says what is wrong and notes the
// exit code where there is no such run, none is open, or several are.
std::optional<nlohmann::json> find_run(Context& context, const std::string& run);

// One look at a run that was there before. Nothing is printed.
struct Look {
  std::optional<nlohmann::json> status;
  std::string trouble;   // why there is none, for people
  bool refused = false;  // the daemon answered and said no: trying again is no use
};
[[nodiscard]] Look look_at(const Context& context, const std::string& run);

// How often a run is looked at while it is followed.
inline constexpr Duration between_looks = std::chrono::milliseconds(500);

struct Followed {
  nlohmann::json status;  // the last one; has no ending where a signal asked us to leave
  std::string given_up;   // why the daemon is no longer asked, for people
};
// Looks at a run until it ends, a signal asks us to leave, the daemon refuses, or has been silent for a minute.
// `seen` gets every status, the first one and the last one too.
Followed follow_run(const Context& context, const std::string& run, nlohmann::json status,
                    const std::function<void(const nlohmann::json&)>& seen);

// The run has its closing record.
[[nodiscard]] bool ended(const nlohmann::json& status);
// done where it finished, unfinished otherwise.
[[nodiscard]] Exit exit_of(const nlohmann::json& status);

}  // namespace nightwell::cli
