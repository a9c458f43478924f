// The control socket: a Unix stream socket, a JSON line in, a JSON line out (docs/control.md).
//
// At most 32 clients; a request of at most 8 MiB, whole within 10 s; a client that asks nothing for 60 s is dropped.
// Who asks is what the kernel says of the peer, not what the request claims. A client that breaks a rule never holds up
// another one.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/local/stream_protocol.hpp>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>

#include "nightwell/result.hpp"

namespace nightwell::daemon {

class ControlServer {
 public:
  // Called once for each request, at once or later, on the io_context's thread.
  using Reply = std::function<void(nlohmann::ordered_json)>;
  using Answer = std::function<void(const nlohmann::ordered_json& request, const std::string& who, Reply reply)>;

  ControlServer(asio::io_context& io, Answer answer) : io_(io), acceptor_(io), answer_(std::move(answer)) {}

  // Makes the folder (0750) and the socket (0660) and serves. A socket that a daemon still answers is refused; one
  // left over by a crash is replaced. Errors: refused, storage.
  Result<void> open(const std::filesystem::path& socket);
  void close();

 private:
  using Socket = asio::local::stream_protocol::socket;

  asio::awaitable<void> accept();
  asio::awaitable<nlohmann::ordered_json> ask(const nlohmann::ordered_json& request, const std::string& who);
  asio::awaitable<void> serve(std::shared_ptr<Socket> socket, std::string who);

  asio::io_context& io_;
  asio::local::stream_protocol::acceptor acceptor_;
  Answer answer_;
  std::filesystem::path path_;
  int clients_ = 0;
};

}  // namespace nightwell::daemon
