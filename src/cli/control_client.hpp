// Speaks to the daemon through its control socket: one request a line, one answer a line (docs/control.md).
//
// Blocking, with a deadline for every call; one thread. After an error the conversation is over: a late
// answer must not be taken for the next one, so connect again.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::cli {

inline constexpr std::size_t largest_request_bytes = 8 * 1024 * 1024;
inline constexpr std::size_t largest_answer_bytes = 1024 * 1024;

// The daemon understood, and said no.
struct Refusal {
  std::string code;  // a word of Errc
  std::string text;
  std::vector<std::string> faults;  // only where files were refused
};

struct Answer {
  nlohmann::json body;             // the whole answer
  std::optional<Refusal> refusal;  // set where "ok" is not true
};

class ControlClient {
 public:
  // Errors: no_answer (nothing listens there, or it does not take the connection in time), bad_input (the
  // path is longer than a socket's name may be), refused (the folder's permissions keep us out).
  static Result<ControlClient> connect(const std::filesystem::path& socket, Duration deadline);

  ControlClient(ControlClient&& other) noexcept;
  ControlClient& operator=(ControlClient&& other) noexcept;
  ~ControlClient();

  // Errors: no_answer (deadline), port_gone (the daemon hung up), garbled (not one line holding a JSON
  // object), bad_input (the request is larger than the daemon takes).
  Result<Answer> ask(const nlohmann::json& request, Duration deadline);

 private:
  explicit ControlClient(int fd, std::string where) : fd_(fd), where_(std::move(where)) {}

  int fd_ = -1;
  std::string where_;
  std::string waiting_;  // bytes beyond the last answer: there must be none
};

// Whether a daemon may be there; false only where it is sure that nothing listens.
[[nodiscard]] bool somebody_listens(const std::filesystem::path& socket);

// Connects, asks once and hangs up.
Result<Answer> ask_once(const std::filesystem::path& socket, const nlohmann::json& request, Duration deadline);

}  // namespace nightwell::cli
