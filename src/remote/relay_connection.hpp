// A follower's line to a relay: TCP and TLS 1.3 over it, certificates on both sides, waiting done by whoever owns it.
//
// Who answers must show a certificate of the follower file's authority, made for servers, valid now, for one of the hosts named.
// Nothing blocks but in `Wait`; a name is looked up by a thread of its own, since that may hang. One thread otherwise.
// Errors: Trouble (remote/following.hpp) says which of them are final.
// Source: TLS by OpenSSL's SSL interface over memory, so that a broken line raises no signal.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "nightwell/time.hpp"
#include "remote/follower_file.hpp"
#include "remote/following.hpp"

namespace nightwell::remote {

inline constexpr Duration connect_patience = std::chrono::seconds(10);

// What a wait for a descriptor came to.
enum class Wake { ready, time_up, leave };
// Waits until `fd` has one of `events` (poll's), at most `longest`, or somebody wants the program to leave.
using Wait = std::function<Wake(int fd, short events, Duration longest)>;

class RelayConnection {
 public:
  struct Left {};  // the wait said so
  using Made = std::variant<RelayConnection, Trouble, Left>;
  using Received = std::variant<std::string, Trouble, Left>;

  // Connects and shakes hands, 10 s for all of it. `at`: where the line goes; the certificate must be for `at`'s host or the file's.
  static Made connect(const FollowerFile& file, const Address& at, const Wait& wait);
  RelayConnection(RelayConnection&&) noexcept;
  RelayConnection& operator=(RelayConnection&&) noexcept;
  ~RelayConnection();

  // Sends a line (its LF is added).
  std::variant<std::monostate, Trouble, Left> send(const std::string& line, const Wait& wait);
  // What has come, at most some 64 KiB; empty where `longest` passed without.
  Received receive(Duration longest, const Wait& wait);

  // The relay's certificate.
  [[nodiscard]] const CertificateFacts& relay() const;

 private:
  struct State;
  explicit RelayConnection(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace nightwell::remote
