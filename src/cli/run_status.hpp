// Following one run through the daemon: which run is meant, how it stands, and how it ended.
#pragma once

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

// The run has its closing record.
[[nodiscard]] bool ended(const nlohmann::json& status);
// done where it finished, unfinished otherwise.
[[nodiscard]] Exit exit_of(const nlohmann::json& status);

}  // namespace nightwell::cli
