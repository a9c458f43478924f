#include "cli/context.hpp"

#include <unistd.h>

#include <cstdio>

#include "cli/wording.hpp"
#include "nightwell/folders.hpp"

namespace nightwell::cli {
namespace {

Exit exit_for(Errc code) {
  switch (code) {
    case Errc::no_answer:
    case Errc::garbled:
    case Errc::port_gone:
    case Errc::port_busy:
    case Errc::refused: return Exit::refused;
    default: return Exit::bad_input;
  }
}

}  // namespace

std::filesystem::path Context::socket() const {
  return control_socket(runtime_folder(runtime, process_environment(), ::getuid()));
}

Result<std::filesystem::path> Context::state_root() const {
  return state_folder(state, process_environment(), ::getuid());
}

void Context::fail(const Error& error) {
  tell(shown(error.text()));
  exit = exit_for(error.code);
}

void Context::fail(const Refusal& refusal) {
  tell("the daemon says no: " + shown(refusal.text));
  for (const std::string& fault : refusal.faults) tell("  " + shown(fault));
  // Files that are wrong are wrong, whoever finds out.
  exit = refusal.faults.empty() ? Exit::refused : Exit::bad_input;
}

std::optional<nlohmann::json> Context::ask(const nlohmann::json& request) {
  auto answer = ask_once(socket(), request, answer_deadline);
  if (!answer) {
    fail(answer.error());
    return std::nullopt;
  }
  if (answer->refusal) {
    fail(*answer->refusal);
    return std::nullopt;
  }
  return std::move(answer.value().body);
}

void say(std::string_view text) {
  std::fwrite(text.data(), 1, text.size(), stdout);
}

void tell(std::string_view line) {
  std::fflush(stdout);
  const std::string out = "nightwell: " + std::string(line) + "\n";
  std::fwrite(out.data(), 1, out.size(), stderr);
}

}  // namespace nightwell::cli
