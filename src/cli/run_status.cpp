#include "cli/run_status.hpp"

#include "cli/look.hpp"
#include "cli/signals.hpp"

namespace nightwell::cli {
namespace {

// A look happens twice a second; a daemon that takes longer than this is not there as far as the view goes.
constexpr Duration look_deadline = std::chrono::seconds(2);

// Nobody watches a pipe: a daemon that is gone this long ends the following.
constexpr auto longest_silence = std::chrono::seconds(60);

nlohmann::json status_request(const std::string& run) {
  nlohmann::json request = {{"ask", "status"}};
  if (!run.empty()) request["run"] = run;
  return request;
}

}  // namespace

std::optional<nlohmann::json> find_run(Context& context, const std::string& run) {
  const auto answer = context.ask(status_request(run));
  if (!answer) return std::nullopt;
  const auto& runs = list_at(*answer, "runs");
  if (runs.size() == 1) return runs.front();
  if (runs.empty()) {
    tell(run.empty() ? "no run is open: name one of `nightwell runs`, or start one" : "there is no such run");
    context.exit = Exit::refused;
    return std::nullopt;
  }
  tell("several runs are open: name one of them");
  for (const auto& open : runs) tell("  " + text_at(open, "run"));
  context.exit = Exit::bad_input;
  return std::nullopt;
}

Look look_at(const Context& context, const std::string& run) {
  Look look;
  auto answer = ask_once(context.socket(), status_request(run), look_deadline);
  if (!answer) {
    look.trouble = shown(answer.error().text());
  } else if (answer->refusal) {
    look.trouble = shown(answer->refusal->text);
    look.refused = true;
  } else if (const auto& runs = list_at(answer->body, "runs"); runs.size() == 1) {
    look.status = runs.front();
  } else {
    look.trouble = "the daemon does not know this run any more";
    look.refused = true;
  }
  return look;
}

Followed follow_run(const Context& context, const std::string& run, nlohmann::json status,
                    const std::function<void(const nlohmann::json&)>& seen) {
  Signals signals(leaving_signals);
  auto last_answer = std::chrono::steady_clock::now();
  for (;;) {
    seen(status);
    if (ended(status) || signals.wait(between_looks) != 0) return {std::move(status), ""};
    Look look = look_at(context, run);
    const auto now = std::chrono::steady_clock::now();
    if (look.status) {
      status = std::move(*look.status);
      last_answer = now;
    } else if (look.refused || now - last_answer > longest_silence) {
      return {std::move(status), look.trouble};
    }
  }
}

bool ended(const nlohmann::json& status) {
  return !raw_text_at(status, "ending").empty();
}

Exit exit_of(const nlohmann::json& status) {
  return raw_text_at(status, "ending") == "finished" ? Exit::done : Exit::unfinished;
}

}  // namespace nightwell::cli
