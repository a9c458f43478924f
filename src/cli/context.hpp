// What every command shares: the two folders, the way to speak to people, and the exit code.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "cli/control_client.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

enum class Exit : int {
  done = 0,
  failed = 1,      // a check was carried out, and found something wrong
  bad_input = 2,   // a file, an argument or a journal is wrong
  refused = 3,     // the daemon said no, or there is none
  unfinished = 4,  // the run ended without finishing, or a journal is not whole
  unsealed = 5,    // a whole journal that nobody signed, where a seal was asked for
  changed = 6,     // a relay shows another history than it did before
};

struct Context {
  std::string runtime, state;  // --runtime and --state; empty: not given
  Exit exit = Exit::done;

  [[nodiscard]] std::filesystem::path socket() const;
  [[nodiscard]] Result<std::filesystem::path> state_root() const;

  // Prints what went wrong on standard error and notes the exit code that goes with it.
  void fail(const Error& error);
  void fail(const Refusal& refusal);

  // Asks the daemon once. Where it fails or refuses: says so, notes the exit code, and gives nothing.
  std::optional<nlohmann::json> ask(const nlohmann::json& request);
};

// The answer is written to the journal first, so a slow disk may take its time.
inline constexpr Duration answer_deadline = std::chrono::seconds(15);

// Standard output, as it is.
void say(std::string_view text);
// One line on standard error, after "nightwell: ".
void tell(std::string_view line);
// JSON on standard output, indented, nothing in it that a terminal could act on; and LF.
template <class Json>
void say_json(const Json& value) {
  say(value.dump(2, ' ', true, Json::error_handler_t::replace) + "\n");
}

}  // namespace nightwell::cli
