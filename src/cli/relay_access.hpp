// A command's way to a relay: the follower's file, waits that end where the program should leave, and what is told about it.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "cli/context.hpp"
#include "cli/signals.hpp"
#include "nightwell/result.hpp"
#include "remote/relay_connection.hpp"

namespace nightwell::cli {

// "2026-11-26 03:12:04Z", by this computer's clock.
[[nodiscard]] std::string utc_now_text();
// "2026-11-26"
[[nodiscard]] std::string utc_day_text(std::time_t at);

class RelayAccess {
 public:
  // `file`: the follower's; `at`: "HOST:PORT" instead of the address in it, or empty. Errors: as remote::read_follower_file;
  // bad_input (`at`).
  static Result<RelayAccess> open(const std::string& file, const std::string& at);

  // Connects. Says beforehand that the follower's own certificate has expired; warns once each where a certificate is near its end.
  remote::RelayConnection::Made connect();

  // Waits for nothing but the time. False: leave.
  bool pause(Duration longest);
  [[nodiscard]] const remote::Wait& wait() const { return *wait_; }
  [[nodiscard]] const remote::Address& at() const { return at_; }

 private:
  RelayAccess(remote::FollowerFile file, remote::Address at);
  void warn(const std::string& whose, const remote::CertificateFacts& facts);

  remote::FollowerFile file_;
  remote::Address at_;
  std::shared_ptr<Signals> signals_;
  std::shared_ptr<remote::Wait> wait_;
  bool warned_own_ = false, warned_relay_ = false;
};

}  // namespace nightwell::cli
