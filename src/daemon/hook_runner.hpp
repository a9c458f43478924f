// Hooks as processes: a thin shell around hook_queue.hpp, and hook_starter.hpp.
//
// Nothing here waits: starting is another thread's, the end of a process and what it says are events of the loop. Of its output the
// first 4 KiB are kept and the rest is read and thrown away, 64 KiB a millisecond at most. When a program has ended, what is left of
// its process group is killed (SIGKILL); a time limit ends the whole group (SIGTERM, 2 s later SIGKILL). A program that has made
// itself a session of its own is out of reach.
//
// Thread: the io_context's. Lifetime: may be destroyed before the io_context's last handler.
#pragma once

#include <asio/io_context.hpp>
#include <functional>
#include <memory>
#include <vector>

#include "daemon/hook_queue.hpp"
#include "daemon/hooks_file.hpp"

namespace nightwell::daemon {

class HookRunner {
 public:
  // How each call ended, and each overflow. From the loop, never from inside tell().
  using Ended = std::function<void(const std::string& hook, const HookReport&)>;

  HookRunner(asio::io_context& io, std::vector<Hook> hooks, Ended ended);
  // What still runs is killed.
  ~HookRunner();
  HookRunner(const HookRunner&) = delete;
  HookRunner& operator=(const HookRunner&) = delete;

  // For each hook that wants this event of this bench.
  void tell(HookCall call);
  // Whether any hook wants it.
  [[nodiscard]] bool wanted(HookEvent event, const std::string& bench) const;

  // Nothing runs and nothing waits.
  [[nodiscard]] bool idle() const;
  // What runs is ended, what waits is dropped; idle a little later.
  void give_up();

 private:
  struct Core;
  std::shared_ptr<Core> core_;
};

}  // namespace nightwell::daemon
