// Serves the relay's line (docs/relay.md): reads a follower's one request and sends what it asks for.
//
// A follower costs one coroutine, TLS's buffers, and 64 KiB more while there is something to send to it; records go from the file to
// TLS as they stand. One that takes nothing for `stalled` is dropped; one that sends anything behind its request, too.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "journal/sha256.hpp"
#include "nightwell/result.hpp"
#include "relay/counters.hpp"
#include "relay/growth.hpp"
#include "relay/tls_listener.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

// Who follows now, for pages and metrics.
struct FollowerStatus {
  std::string name, address, run;
  std::uint64_t next_n = 0;        // the record that is sent next
  std::uint64_t bytes_behind = 0;  // of the journal's file, when it was last looked at
};

class Relay {
 public:
  // All outlive it. `listener` for its log.
  Relay(asio::io_context& io, std::filesystem::path runs_folder, std::chrono::seconds stalled, Growth& growth,
        Counters& counters, TlsListener& listener);

  // For TlsListener::start.
  asio::awaitable<void> serve(std::shared_ptr<Connection> connection);

  [[nodiscard]] std::vector<FollowerStatus> followers() const;
  [[nodiscard]] std::uint64_t largest_lag_bytes() const;

 private:
  struct Session;

  asio::awaitable<bool> read_request(std::shared_ptr<Session> session, std::string& line);
  asio::awaitable<void> answer(std::shared_ptr<Session> session, std::string line);
  asio::awaitable<void> list(std::shared_ptr<Session> session);
  asio::awaitable<void> follow(std::shared_ptr<Session> session, remote::JournalRequest request);
  asio::awaitable<bool> send(std::shared_ptr<Session> session, std::string_view bytes);
  asio::awaitable<bool> say(std::shared_ptr<Session> session, remote::RelayLine line);
  asio::awaitable<void> refuse(std::shared_ptr<Session> session, Error error);
  static asio::awaitable<void> watch_for_more(std::shared_ptr<Session> session);
  void report_end(const Session& session);

  asio::io_context& io_;
  std::filesystem::path runs_;
  std::chrono::seconds stalled_;
  Growth& growth_;
  Counters& counters_;
  TlsListener& listener_;
  journal::Sha256 sha256_;
  std::vector<std::weak_ptr<const Session>> sessions_;
};

}  // namespace nightwell::relay
