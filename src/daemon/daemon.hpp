// The daemon: several runs at once, an instrument in one run at a time, and the answers to the control socket.
#pragma once

#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "daemon/executor.hpp"
#include "daemon/run_store.hpp"

namespace nightwell::daemon {

struct DaemonSettings {
  std::filesystem::path guardian;  // the guardian's program
  double speed = 1;                // of the runs' clocks
};

class Daemon {
 public:
  Daemon(asio::io_context& io, RunStore store, DaemonSettings settings);

  // Says in the log which runs of the state folder ended without closing.
  void report_unclosed() const;

  // Answers one request (docs/control.md). `who` is the peer, as the socket knows it.
  [[nodiscard]] nlohmann::ordered_json answer(const nlohmann::ordered_json& request, const std::string& who);

  // Parks every open run and calls `ended` once all are closed and their guardians have ended, or after a while.
  void shut_down(const std::string& cause, std::function<void()> ended);

 private:
  using Json = nlohmann::ordered_json;

  Json start(const Json& request);
  Json status(const Json& request) const;
  Json runs() const;
  Json person(const Json& request, sequence::Request what, const std::string& who);
  Result<Executor*> open_run(const Json& request) const;
  Result<void> instruments_free(const sequence::Plan& plan) const;
  void forget_old();
  [[nodiscard]] bool all_idle() const;
  void wait_for_end(std::chrono::steady_clock::time_point latest, std::function<void()> ended);

  asio::io_context& io_;
  RunStore store_;
  DaemonSettings settings_;
  instrument::Registry registry_;
  std::map<std::string, std::unique_ptr<Executor>> runs_;
  asio::steady_timer timer_;
};

}  // namespace nightwell::daemon
