// The daemon: several runs at once, an instrument in one run at a time, and the answers to the control socket.
#pragma once

#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <string>

#include "daemon/executor.hpp"
#include "daemon/hook_runner.hpp"
#include "daemon/left_heat.hpp"
#include "daemon/run_store.hpp"
#include "daemon/unclosed_run.hpp"

namespace nightwell::daemon {

struct DaemonSettings {
  std::filesystem::path guardian;  // the guardian's program
  double speed = 1;                // of the runs' clocks
  // On another disk: a second copy of each journal, and where a journal goes on whose own disk fails. Exists.
  std::optional<std::filesystem::path> second_folder;
  std::shared_ptr<const journal::SigningKey> key;  // null: journals are closed unsigned
  std::vector<Hook> hooks;
};

class Daemon {
 public:
  Daemon(asio::io_context& io, RunStore store, DaemonSettings settings);

  // Says in the log which runs of the state folder ended without closing, and to hooks those that they were not yet told of; has
  // switched off what they left on.
  void report_unclosed();

  using Reply = std::function<void(nlohmann::ordered_json)>;
  // Answers one request (docs/control.md): at once, or when what the answer acknowledges is on disk. `who` is the peer, as the
  // socket knows it.
  void answer(const nlohmann::ordered_json& request, const std::string& who, const Reply& reply);

  // Parks every open run and calls `ended` once all are closed, their guardians have ended and hooks have been told, or after a
  // while.
  void shut_down(const std::string& cause, std::function<void()> ended);

 private:
  using Json = nlohmann::ordered_json;

  void start(const Json& request, const Reply& reply);
  Result<std::unique_ptr<Executor>> make_run(const Json& request, Json& refusal);
  Json status(const Json& request) const;
  Json runs() const;
  void person(const Json& request, sequence::Request what, const std::string& who, const Reply& reply);
  void take_over(const journal::StoredRun& run, LeftSource& source, const std::set<std::string>& later_ports);
  void tell_not_off(const std::string& run, const std::string& text);
  [[nodiscard]] Error not_open(const std::string& wanted) const;
  Result<Executor*> open_run(const Json& request) const;
  Result<void> instruments_free(const sequence::Plan& plan) const;
  void forget_old();
  void on_hook_ended(const std::string& hook, const HookReport& report);
  [[nodiscard]] bool all_idle() const;
  void wait_for_end(std::chrono::steady_clock::time_point latest, std::function<void()> ended);
  void wait_for_hooks(std::chrono::steady_clock::time_point latest, std::function<void()> ended);

  asio::io_context& io_;
  RunStore store_;
  DaemonSettings settings_;
  instrument::Registry registry_;
  std::map<std::string, std::unique_ptr<Executor>> runs_;
  asio::steady_timer timer_;
  HookRunner hooks_;
  LeftHeat left_heat_;
};

}  // namespace nightwell::daemon
