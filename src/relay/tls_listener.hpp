// Accepts connections over TLS 1.3, lets in whom the allow-list names, and hands each over as a Connection.
//
// What it holds to, whatever the other side does:
//   - at most `limit` connections are served; further ones (with a certificate that is let in) are handed over with `full` set, to be
//     told so. Those, and the ones in the handshake, are at most `most_waiting` together: beyond it, accepting pauses.
//   - a handshake takes 10 s at most; what is handed over keeps its own time with Connection::within.
//   - a connection whose certificate runs out is closed.
//   - where the system has no descriptor left, accepting pauses for a second, too.
// Everybody who is refused is in the log with address and reason (relay/log_limit.hpp), and in the counters.
// One thread: that of the io_context. Needs no system call of its own after open() but accept, read, write and close.
//
// To serve something else than the relay's own line, make another one:
//   TlsListener page(io, context, allow, counters, {config.page->listen, "page", 32, config.stalled});
//   page.open();                                           // listens; before the sandbox
//   page.start([&](std::shared_ptr<Connection> c) { return http.serve(std::move(c)); });   // after it
// `serve` is a named coroutine; the connection is closed when it returns. `context` is a remote::server_context with the protocol
// name that is spoken ("http/1.1").
#pragma once

#include <asio/awaitable.hpp>
#include <asio/buffer.hpp>
#include <asio/io_context.hpp>
#include <asio/ip/tcp.hpp>
#include <asio/steady_timer.hpp>
#include <chrono>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>

#include "nightwell/result.hpp"
#include "relay/allow_list.hpp"
#include "relay/config.hpp"
#include "relay/counters.hpp"
#include "relay/log_limit.hpp"
#include "remote/tls.hpp"

namespace nightwell::relay {

class Connection {
 public:
  Connection(asio::ip::tcp::socket socket, asio::ssl::context& context) : stream(std::move(socket), context) {}

  remote::TlsStream stream;
  std::string host, address;  // of the other side: without and with its port
  std::string name;           // of the follower, by the allow-list
  bool full = false;          // there are enough already: to be told so, and no more

  // One read or write of the stream, as much as there is or as goes; 0 and `error` where it failed. What they are given outlives them.
  asio::awaitable<std::size_t> read(asio::mutable_buffer into, std::error_code& error);
  asio::awaitable<std::size_t> write(asio::const_buffer from, std::error_code& error);
  // Says goodbye by TLS, so that the other side can tell an end from a cut line.
  asio::awaitable<void> say_goodbye();

  // Closes the connection where this is not called again (or `at_leisure`) in time. Looked at once a second.
  void within(std::chrono::seconds patience) { deadline_ = std::chrono::steady_clock::now() + patience; }
  void at_leisure() { deadline_ = std::chrono::steady_clock::time_point::max(); }
  // Everything that waits for it ends with an error.
  void close();

  // Why it was closed from this side while somebody waited for it.
  enum class Cause { none, late, expired, ending };
  [[nodiscard]] Cause cause() const { return cause_; }
  // Called once when the listener closes it, for waits of other things than the stream.
  std::function<void()> when_closed;

 private:
  friend class TlsListener;
  void close_for(Cause cause);
  asio::awaitable<void> hear_out();

  std::chrono::steady_clock::time_point deadline_ = std::chrono::steady_clock::time_point::max();
  std::chrono::system_clock::time_point last_valid_ = std::chrono::system_clock::time_point::max();
  std::string refused_;             // why its certificate is, for the log
  bool authority_is_ours_ = false;  // it is refused only because nobody listed it
  Cause cause_ = Cause::none;
};

struct ListenerSettings {
  ListenAddress at;
  std::string what;  // for the log: "followers"
  std::size_t limit = 250;
  std::size_t limit_of_one = 250;    // of them for one name: a follower in a loop must not shut out the others
  std::chrono::seconds stalled{60};  // how long the network may leave bytes unacknowledged
};

class TlsListener {
 public:
  using Serve = std::function<asio::awaitable<void>(std::shared_ptr<Connection>)>;
  static constexpr std::size_t most_waiting = 64;

  // All but the settings outlive it.
  TlsListener(asio::io_context& io, asio::ssl::context& context, const AllowList& allow, Counters& counters,
              ListenerSettings settings);

  // Listens. Errors: refused (the address is taken, or not ours to take), bad_input (no such address here).
  Result<void> open();
  // Where it listens, with the port that the system chose.
  [[nodiscard]] ListenAddress address() const;
  // Begins to accept. Ends by itself after stop().
  void start(Serve serve);
  // Accepts no more, and closes all connections.
  void stop();

  // A line in the log about somebody, within the limit of its host: a warning, or what is usual.
  void log(const Connection& connection, const std::string& text, bool as_usual = false);

 private:
  asio::awaitable<void> accept();
  asio::awaitable<void> greet(std::shared_ptr<Connection> connection);
  asio::awaitable<void> serve(std::shared_ptr<Connection> connection);
  asio::awaitable<void> keep_time();
  [[nodiscard]] bool let_in(Connection& connection, bool sound, X509_STORE_CTX* certificates) const;
  // Why there is no place for it; nothing: there is one.
  [[nodiscard]] std::optional<std::string> no_place_for(const Connection& connection) const;
  void report_refused(Connection& connection, const std::error_code& error);

  asio::io_context& io_;
  asio::ssl::context& context_;
  const AllowList& allow_;
  Counters& counters_;
  ListenerSettings settings_;
  Serve serve_;
  asio::ip::tcp::acceptor acceptor_;
  asio::steady_timer room_, second_;
  std::set<std::shared_ptr<Connection>> connections_;
  std::size_t served_ = 0, waiting_ = 0;
  std::map<std::string, std::size_t> served_of_;  // by name
  LogLimit log_limit_;
};

}  // namespace nightwell::relay
