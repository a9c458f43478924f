#include "relay/tls_listener.hpp"

#include <netinet/tcp.h>
#include <openssl/x509_vfy.h>
#include <spdlog/spdlog.h>
#include <sys/socket.h>

#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/redirect_error.hpp>
#include <asio/use_awaitable.hpp>
#include <exception>

namespace nightwell::relay {

namespace {

using std::chrono::seconds;

constexpr seconds longest_handshake{10}, longest_goodbye{5}, longest_hearing{2};
constexpr int backlog = 128;
// What the kernel may hold for one follower: it doubles the number for its own use (socket(7)). Enough for 1 MB/s over 100 ms.
constexpr int send_buffer_bytes = 128 * 1024;
constexpr int silent_s = 60, between_probes_s = 15, most_probes = 4;

void set(int socket, int level, int option, int value) {
  (void)::setsockopt(socket, level, option, &value, sizeof value);  // each of them helps; none is needed
}

// Set where it listens, and inherited by what is accepted (tcp(7), socket(7)): no call is needed later.
void prepare(int socket, seconds stalled) {
  set(socket, SOL_SOCKET, SO_SNDBUF, send_buffer_bytes);
  set(socket, SOL_SOCKET, SO_KEEPALIVE, 1);
  set(socket, IPPROTO_TCP, TCP_KEEPIDLE, silent_s);
  set(socket, IPPROTO_TCP, TCP_KEEPINTVL, between_probes_s);
  set(socket, IPPROTO_TCP, TCP_KEEPCNT, most_probes);
  set(socket, IPPROTO_TCP, TCP_NODELAY, 1);
  set(socket, IPPROTO_TCP, TCP_USER_TIMEOUT, static_cast<int>(stalled.count() * 1000));
}

std::string subject_of(const X509* certificate) {
  char text[200];
  return X509_NAME_oneline(X509_get_subject_name(certificate), text, sizeof text) != nullptr ? text : "";
}

}  // namespace

asio::awaitable<std::size_t> Connection::read(asio::mutable_buffer into, std::error_code& error) {
  co_return co_await stream.async_read_some(into, asio::redirect_error(asio::use_awaitable, error));
}

asio::awaitable<std::size_t> Connection::write(asio::const_buffer from, std::error_code& error) {
  co_return co_await stream.async_write_some(from, asio::redirect_error(asio::use_awaitable, error));
}

asio::awaitable<void> Connection::say_goodbye() {
  within(longest_goodbye);
  asio::error_code ignored;
  co_await stream.async_shutdown(asio::redirect_error(asio::use_awaitable, ignored));
}

// Closing with bytes unread would reset the connection, and TLS's alert, which says why, might not be read on the other side.
asio::awaitable<void> Connection::hear_out() {
  asio::error_code error;
  stream.next_layer().shutdown(asio::ip::tcp::socket::shutdown_send, error);
  within(longest_hearing);
  char bytes[512];
  const auto room = asio::buffer(bytes);
  while (!error) co_await stream.next_layer().async_read_some(room, asio::redirect_error(asio::use_awaitable, error));
}

void Connection::close() {
  asio::error_code ignored;
  stream.next_layer().close(ignored);
}

void Connection::close_for(Cause cause) {
  if (cause_ != Cause::none) return;
  cause_ = cause;
  close();
  if (when_closed) when_closed();
}

TlsListener::TlsListener(asio::io_context& io, asio::ssl::context& context, const AllowList& allow, Counters& counters,
                         ListenerSettings settings)
    : io_(io),
      context_(context),
      allow_(allow),
      counters_(counters),
      settings_(std::move(settings)),
      acceptor_(io),
      room_(io),
      second_(io) {}

Result<void> TlsListener::open() {
  asio::error_code error;
  const asio::ip::tcp::endpoint at(asio::ip::make_address(settings_.at.address, error), settings_.at.port);
  if (!error) acceptor_.open(at.protocol(), error);
  if (!error) acceptor_.set_option(asio::ip::tcp::acceptor::reuse_address(true), error);
  if (!error) prepare(acceptor_.native_handle(), settings_.stalled);
  if (!error) acceptor_.bind(at, error);
  if (!error) acceptor_.listen(backlog, error);
  if (!error) return {};
  const bool taken = error == asio::error::address_in_use || error == asio::error::access_denied;
  return Error{taken ? Errc::refused : Errc::bad_input, "listening for " + settings_.what, error.message(),
               print(settings_.at)};
}

ListenAddress TlsListener::address() const {
  asio::error_code error;
  const auto at = acceptor_.local_endpoint(error);
  return error ? settings_.at : ListenAddress{at.address().to_string(), at.port()};
}

void TlsListener::start(Serve serve) {
  serve_ = std::move(serve);
  asio::co_spawn(io_, accept(), asio::detached);
  asio::co_spawn(io_, keep_time(), asio::detached);
}

void TlsListener::stop() {
  asio::error_code ignored;
  acceptor_.close(ignored);
  room_.cancel();
  second_.cancel();
  for (const auto& connection : connections_) connection->close_for(Connection::Cause::ending);
}

void TlsListener::log(const Connection& connection, const std::string& text, bool as_usual) {
  const auto left_out = log_limit_.may((as_usual ? "+" : "-") + connection.host, std::chrono::steady_clock::now());
  if (!left_out) return;
  const std::string who =
      connection.name.empty() ? connection.address : connection.name + " (" + connection.address + ")";
  const std::string more = *left_out == 0 ? "" : " (" + std::to_string(*left_out) + " lines about this host left out)";
  spdlog::log(as_usual ? spdlog::level::info : spdlog::level::warn, "{} {}: {}{}", settings_.what, who, text, more);
}

asio::awaitable<void> TlsListener::accept() {
  while (acceptor_.is_open()) {
    asio::error_code error;
    if (waiting_ >= most_waiting) {
      room_.expires_after(longest_handshake);
      co_await room_.async_wait(asio::redirect_error(asio::use_awaitable, error));
      continue;
    }
    asio::ip::tcp::socket socket(io_);
    co_await acceptor_.async_accept(socket, asio::redirect_error(asio::use_awaitable, error));
    if (!acceptor_.is_open()) co_return;
    if (error) {
      // No descriptor left, most likely: some time for one to come back, instead of spinning.
      ++counters_.refused.out_of_files;
      spdlog::warn("{}: accepting pauses: {}", settings_.what, error.message());
      room_.expires_after(seconds(1));
      co_await room_.async_wait(asio::redirect_error(asio::use_awaitable, error));
      continue;
    }
    const auto from = socket.remote_endpoint(error);
    if (error) continue;  // gone already
    auto connection = std::make_shared<Connection>(std::move(socket), context_);
    connection->host = from.address().to_string();
    connection->address = print(ListenAddress{connection->host, from.port()});
    ++counters_.accepted;
    ++waiting_;
    asio::co_spawn(io_, greet(std::move(connection)), asio::detached);
  }
}

// Counts and lists are set back here, whatever happens inside.
asio::awaitable<void> TlsListener::greet(std::shared_ptr<Connection> connection) {
  connections_.insert(connection);
  connection->within(longest_handshake);
  // Lives as long as the stream, which the connection owns.
  connection->stream.set_verify_callback(
      [this, raw = connection.get()](bool sound, asio::ssl::verify_context& certificates) {
        return let_in(*raw, sound, certificates.native_handle());
      });
  asio::error_code error;
  co_await connection->stream.async_handshake(asio::ssl::stream_base::server,
                                              asio::redirect_error(asio::use_awaitable, error));
  connection->at_leisure();
  bool waits = true;
  if (error) {
    report_refused(*connection, error);
    if (connection->cause() == Connection::Cause::none) co_await connection->hear_out();
  } else {
    const auto no_place = no_place_for(*connection);
    connection->full = no_place.has_value();
    if (no_place) {
      ++counters_.refused.full;
      log(*connection, "refused: " + *no_place);
    } else {
      waits = false;
      --waiting_;
      room_.cancel();
      ++served_;
      ++served_of_[connection->name];
      ++counters_.connected;
    }
    co_await serve(connection);
  }
  connection->close();
  connections_.erase(connection);
  if (waits) {
    --waiting_;
    room_.cancel();
  } else {
    --served_;
    if (--served_of_[connection->name] == 0) served_of_.erase(connection->name);
    --counters_.connected;
  }
}

std::optional<std::string> TlsListener::no_place_for(const Connection& connection) const {
  if (served_ >= settings_.limit) return std::to_string(settings_.limit) + " are connected already";
  const auto own = served_of_.find(connection.name);
  if (own == served_of_.end() || own->second < settings_.limit_of_one) return std::nullopt;
  return std::to_string(own->second) + " of this name are connected already";
}

// One connection's trouble is never another's.
asio::awaitable<void> TlsListener::serve(std::shared_ptr<Connection> connection) {
  std::string trouble;
  try {
    co_await serve_(connection);
  } catch (const std::exception& error) {
    trouble = error.what();
  }
  if (!trouble.empty()) spdlog::error("{} {}: {}", settings_.what, connection->address, trouble);
}

asio::awaitable<void> TlsListener::keep_time() {
  while (acceptor_.is_open()) {
    second_.expires_after(seconds(1));
    asio::error_code error;
    co_await second_.async_wait(asio::redirect_error(asio::use_awaitable, error));
    const auto now = std::chrono::steady_clock::now();
    const auto today = std::chrono::system_clock::now();
    for (const auto& connection : connections_) {
      if (now >= connection->deadline_)
        connection->close_for(Connection::Cause::late);
      else if (today > connection->last_valid_) {
        if (connection->cause() == Connection::Cause::none) {
          ++counters_.dropped.expired;
          log(*connection, "dropped: its certificate has expired");
        }
        connection->close_for(Connection::Cause::expired);
      }
    }
  }
}

// OpenSSL asks once for each certificate of the chain, and once for each fault; the peer's own comes last.
bool TlsListener::let_in(Connection& connection, bool sound, X509_STORE_CTX* certificates) const {
  const X509* certificate = X509_STORE_CTX_get_current_cert(certificates);
  const bool own = X509_STORE_CTX_get_error_depth(certificates) == 0;
  if (!sound) {
    connection.refused_ = X509_verify_cert_error_string(X509_STORE_CTX_get_error(certificates));
    if (certificate != nullptr) connection.refused_ += " (" + subject_of(certificate) + ")";
    return false;
  }
  if (!own) return true;
  const std::string key = remote::key_name(certificate);
  const auto name = allow_.name_of(key);
  if (!name) {
    connection.authority_is_ours_ = true;
    connection.refused_ = "it is not on the allow-list (" + subject_of(certificate) + ", " + key + ")";
    X509_STORE_CTX_set_error(certificates, X509_V_ERR_CERT_REJECTED);
    return false;
  }
  connection.name = *name;
  connection.last_valid_ = remote::last_valid(certificate);
  return true;
}

void TlsListener::report_refused(Connection& connection, const std::error_code& error) {
  switch (connection.cause()) {
    case Connection::Cause::ending: return;
    case Connection::Cause::late:
      ++counters_.refused.too_slow;
      return log(connection, "refused: no whole handshake within 10 s");
    default: break;
  }
  connection.name.clear();  // it did not prove that the key is its own
  if (connection.refused_.empty()) {
    ++counters_.refused.tls;
    return log(connection, "refused: " + remote::explain(error, connection.stream));
  }
  ++(connection.authority_is_ours_ ? counters_.refused.not_allowed : counters_.refused.certificate);
  log(connection, "refused, its certificate: " + connection.refused_);
}

}  // namespace nightwell::relay
