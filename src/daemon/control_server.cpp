#include "daemon/control_server.hpp"

#include <pwd.h>
#include <spdlog/spdlog.h>
#include <sys/socket.h>
#include <sys/stat.h>

#include <asio/buffer.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/read_until.hpp>
#include <asio/redirect_error.hpp>
#include <asio/steady_timer.hpp>
#include <asio/use_awaitable.hpp>
#include <asio/write.hpp>
#include <optional>

namespace nightwell::daemon {

namespace {

namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;

constexpr std::size_t longest_request = 8 * 1024 * 1024;
constexpr int most_clients = 32;
constexpr std::chrono::seconds longest_idle{60}, longest_send{10};
constexpr int deepest_request = 32;

std::string peer_name(int fd) {
  ucred peer{};
  socklen_t size = sizeof peer;
  if (::getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0) return "unknown";
  if (const passwd* user = ::getpwuid(peer.uid)) return user->pw_name;
  return "uid " + std::to_string(peer.uid);
}

Json bad_request(const std::string& detail) {
  return {{"ok", false}, {"error", {{"code", "bad_input"}, {"text", "reading a request: " + detail}}}};
}

bool answered_by_a_daemon(asio::io_context& io, const fs::path& path) {
  asio::local::stream_protocol::socket probe(io);
  asio::error_code error;
  probe.connect(asio::local::stream_protocol::endpoint(path.string()), error);
  return !error;
}

// Depth is bounded before parsing: nlohmann recurses on nothing, but what reads the result may.
bool too_deep(std::string_view line) {
  int depth = 0;
  bool in_string = false, escaped = false;
  for (const char c : line) {
    if (in_string) {
      if (escaped)
        escaped = false;
      else if (c == '\\')
        escaped = true;
      else if (c == '"')
        in_string = false;
    } else if (c == '"') {
      in_string = true;
    } else if (c == '{' || c == '[') {
      if (++depth > deepest_request) return true;
    } else if (c == '}' || c == ']') {
      --depth;
    }
  }
  return false;
}

// Ends the conversation unless the timer is set anew in time. The socket outlives the handler by its own count.
void end_after(asio::steady_timer& timer, std::shared_ptr<asio::local::stream_protocol::socket> socket,
               std::chrono::seconds patience) {
  timer.expires_after(patience);
  timer.async_wait([socket = std::move(socket)](const asio::error_code& error) {
    asio::error_code ignored;
    if (!error) socket->close(ignored);
  });
}

}  // namespace

Result<void> ControlServer::open(const fs::path& socket) {
  const std::string where = socket.string();
  std::error_code made;
  fs::create_directories(socket.parent_path(), made);
  if (made) return Error{Errc::storage, "making the runtime folder", made.message(), socket.parent_path().string()};
  ::chmod(socket.parent_path().c_str(), 0750);
  if (fs::exists(socket) && answered_by_a_daemon(io_, socket))
    return Error{Errc::refused, "opening the control socket",
                 "another nightwelld answers there; give another --runtime", where};
  fs::remove(socket, made);

  asio::error_code error;
  acceptor_.open(asio::local::stream_protocol(), error);
  const mode_t before = ::umask(0117);  // the socket must not be open to others for a moment
  if (!error) acceptor_.bind(asio::local::stream_protocol::endpoint(where), error);
  ::umask(before);
  if (!error) acceptor_.listen(most_clients, error);
  if (error) return Error{Errc::storage, "opening the control socket", error.message(), where};
  path_ = socket;
  asio::co_spawn(io_, accept(), asio::detached);
  return {};
}

void ControlServer::close() {
  asio::error_code ignored;
  acceptor_.close(ignored);
  std::error_code gone;
  if (!path_.empty()) fs::remove(path_, gone);
}

asio::awaitable<void> ControlServer::accept() {
  while (acceptor_.is_open()) {
    Socket socket(io_);
    asio::error_code error;
    co_await acceptor_.async_accept(socket, asio::redirect_error(asio::use_awaitable, error));
    if (error == asio::error::operation_aborted || !acceptor_.is_open()) co_return;
    if (error) {
      // Out of descriptors, most likely: wait for one to come back instead of spinning.
      asio::steady_timer pause(io_, std::chrono::seconds(1));
      co_await pause.async_wait(asio::redirect_error(asio::use_awaitable, error));
      continue;
    }
    if (clients_ >= most_clients) continue;  // dropped: the socket closes here
    std::string who = peer_name(socket.native_handle());
    asio::co_spawn(io_, serve(std::make_shared<Socket>(std::move(socket)), std::move(who)), asio::detached);
  }
}

// A reply may come later: when what it acknowledges is on disk.
asio::awaitable<Json> ControlServer::ask(const Json& request, const std::string& who) {
  struct Waiting {
    explicit Waiting(asio::io_context& io) : come(io, asio::steady_timer::time_point::max()) {}
    asio::steady_timer come;
    std::optional<Json> reply;
  };
  const auto waiting = std::make_shared<Waiting>(io_);
  answer_(request, who, [waiting](Json reply) {
    waiting->reply = std::move(reply);
    waiting->come.cancel();
  });
  asio::error_code ignored;
  if (!waiting->reply) co_await waiting->come.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  co_return waiting->reply.value_or(bad_request("the daemon is ending"));
}

asio::awaitable<void> ControlServer::serve(std::shared_ptr<Socket> socket, std::string who) {
  ++clients_;
  std::string buffer;
  asio::steady_timer patience(io_);
  for (;;) {
    asio::error_code error;
    end_after(patience, socket, longest_idle);
    if (buffer.empty())
      co_await socket->async_wait(Socket::wait_read, asio::redirect_error(asio::use_awaitable, error));
    if (error) break;
    end_after(patience, socket, longest_send);
    auto into = asio::dynamic_buffer(buffer, longest_request);
    const std::size_t length =
        co_await asio::async_read_until(*socket, into, '\n', asio::redirect_error(asio::use_awaitable, error));
    Json answer;
    if (error == asio::error::not_found) {
      answer = bad_request("it is longer than 8 MiB");
    } else if (error) {
      break;
    } else {
      const std::string_view line(buffer.data(), length - 1);
      const Json request = too_deep(line) ? Json() : Json::parse(line, nullptr, false);
      patience.cancel();  // a disk that hangs may take longer than a client's share of time: the client waits for it
      if (request.is_object())
        answer = co_await ask(request, who);
      else
        answer = bad_request("it is not one JSON object on one line");
      buffer.erase(0, length);
    }
    const std::string text = answer.dump(-1, ' ', true, Json::error_handler_t::replace) + "\n";
    const auto out = asio::buffer(text);
    asio::error_code sent;
    co_await asio::async_write(*socket, out, asio::redirect_error(asio::use_awaitable, sent));
    if (sent || error) break;
  }
  --clients_;
}

}  // namespace nightwell::daemon
