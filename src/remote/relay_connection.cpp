#include "remote/relay_connection.hpp"

#include <fcntl.h>
#include <netdb.h>
#include <netinet/tcp.h>
#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <mutex>
#include <optional>
#include <thread>
#include <utility>

#include "journal/file.hpp"

namespace nightwell::remote {

namespace {

using Left = RelayConnection::Left;
using Kind = Trouble::Kind;
// Done, or why not.
using Step = std::variant<std::monostate, Trouble, Left>;

// Of the whole patience, what the first of several addresses may take.
constexpr Duration one_address_patience = std::chrono::seconds(4);
constexpr std::size_t read_bytes = 32 * 1024;

class Countdown {
 public:
  explicit Countdown(Duration patience) : end_(std::chrono::steady_clock::now() + patience) {}
  [[nodiscard]] Duration left() const {
    return std::max(Duration{0}, std::chrono::duration_cast<Duration>(end_ - std::chrono::steady_clock::now()));
  }

 private:
  std::chrono::steady_clock::time_point end_;
};

// ---- looking a name up ----

struct HostAddress {
  sockaddr_storage address{};
  socklen_t size = 0;
  int family = AF_UNSPEC;
};

struct Lookup {
  std::mutex mutex;
  bool done = false;
  int error = 0;
  std::vector<HostAddress> found;
  journal::File bell{::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)};
};

void look_up(const std::shared_ptr<Lookup>& lookup, const Address& at) {
  addrinfo hints{};
  hints.ai_socktype = SOCK_STREAM;
  addrinfo* list = nullptr;
  const int error = ::getaddrinfo(at.host.c_str(), std::to_string(at.port).c_str(), &hints, &list);
  {
    const std::lock_guard lock(lookup->mutex);
    lookup->done = true;
    lookup->error = error;
    for (const addrinfo* one = list; error == 0 && one != nullptr; one = one->ai_next) {
      HostAddress& out = lookup->found.emplace_back();
      std::copy_n(reinterpret_cast<const char*>(one->ai_addr), one->ai_addrlen, reinterpret_cast<char*>(&out.address));
      out.size = one->ai_addrlen;
      out.family = one->ai_family;
    }
  }
  if (error == 0) ::freeaddrinfo(list);
  const std::uint64_t one = 1;
  (void)!::write(lookup->bell.fd(), &one, sizeof one);
}

std::variant<std::vector<HostAddress>, Trouble, Left> addresses_of(const Address& at, Duration longest,
                                                                   const Wait& wait) {
  const auto lookup = std::make_shared<Lookup>();
  // Left to itself where it hangs: nothing can call a lookup back.
  std::thread([lookup, at] { look_up(lookup, at); }).detach();
  if (wait(lookup->bell.fd(), POLLIN, longest) == Wake::leave) return Left{};
  const std::lock_guard lock(lookup->mutex);
  if (!lookup->done) return Trouble{Kind::passing, "nobody says where " + at.host + " is (no answer by name service)"};
  if (lookup->error != 0) return Trouble{Kind::passing, at.host + " is not found: " + ::gai_strerror(lookup->error)};
  return lookup->found;
}

std::variant<journal::File, Trouble, Left> dial(const HostAddress& to, const std::string& where, Duration longest,
                                                const Wait& wait) {
  const auto failed = [&](int number) { return Trouble{Kind::passing, where + ": " + journal::system_text(number)}; };
  journal::File socket{::socket(to.family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0)};
  if (socket.fd() < 0) return failed(errno);
  const int on = 1;
  (void)::setsockopt(socket.fd(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
  if (::connect(socket.fd(), reinterpret_cast<const sockaddr*>(&to.address), to.size) == 0) return socket;
  if (errno != EINPROGRESS) return failed(errno);
  const Wake woke = wait(socket.fd(), POLLOUT, longest);
  if (woke == Wake::leave) return Left{};
  if (woke == Wake::time_up) return Trouble{Kind::passing, where + ": no answer"};
  int number = 0;
  socklen_t size = sizeof number;
  if (::getsockopt(socket.fd(), SOL_SOCKET, SO_ERROR, &number, &size) != 0) number = errno;
  if (number != 0) return failed(number);
  return socket;
}

// ---- TLS ----

struct OpenSslFreed {
  void operator()(SSL_CTX* p) const { SSL_CTX_free(p); }
  void operator()(SSL* p) const { SSL_free(p); }
  void operator()(BIO* p) const { BIO_free(p); }
  void operator()(X509* p) const { X509_free(p); }
  void operator()(EVP_PKEY* p) const { EVP_PKEY_free(p); }
};
template <class T>
using OpenSslOwned = std::unique_ptr<T, OpenSslFreed>;

OpenSslOwned<X509> x509_of(const std::string& pem) {
  const OpenSslOwned<BIO> bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())));
  return OpenSslOwned<X509>(PEM_read_bio_X509(bio.get(), nullptr, nullptr, nullptr));
}

// Of a key with a password too: nobody is asked for it.
int give_no_password(char*, int, int, void*) {
  return -1;
}

OpenSslOwned<EVP_PKEY> private_key_of(const std::string& pem) {
  const OpenSslOwned<BIO> bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())));
  return OpenSslOwned<EVP_PKEY>(PEM_read_bio_PrivateKey(bio.get(), nullptr, give_no_password, nullptr));
}

OpenSslOwned<SSL_CTX> client_settings(const FollowerFile& file) {
  OpenSslOwned<SSL_CTX> out(SSL_CTX_new(TLS_client_method()));
  const auto own = x509_of(file.own.certificate), authority = x509_of(file.authority);
  const auto key = private_key_of(file.own.key);
  const std::string protocols = static_cast<char>(protocol_name.size()) + std::string(protocol_name);
  const bool done = out && own && authority && key && SSL_CTX_set_min_proto_version(out.get(), TLS1_3_VERSION) == 1 &&
                    SSL_CTX_use_certificate(out.get(), own.get()) == 1 &&
                    SSL_CTX_use_PrivateKey(out.get(), key.get()) == 1 && SSL_CTX_check_private_key(out.get()) == 1 &&
                    X509_STORE_add_cert(SSL_CTX_get_cert_store(out.get()), authority.get()) == 1 &&
                    SSL_CTX_set_alpn_protos(out.get(), reinterpret_cast<const unsigned char*>(protocols.data()),
                                            static_cast<unsigned>(protocols.size())) == 0;
  if (!done) return nullptr;
  SSL_CTX_set_session_cache_mode(out.get(), SSL_SESS_CACHE_OFF);
  // The authority may itself be issued by another one: it is trusted as it stands.
  X509_VERIFY_PARAM_set_flags(SSL_CTX_get0_param(out.get()), X509_V_FLAG_PARTIAL_CHAIN);
  return out;
}

// What the check of the relay's certificate looks at and finds.
struct Identity {
  std::vector<std::string> hosts;  // one of them must be the certificate's
  std::string wrong;
};

int identity_index() {
  static const int index = SSL_get_ex_new_index(0, nullptr, nullptr, nullptr, nullptr);
  return index;
}

bool is_for(X509* certificate, const std::string& host) {
  constexpr unsigned flags = X509_CHECK_FLAG_NO_WILDCARDS | X509_CHECK_FLAG_NEVER_CHECK_SUBJECT;
  return is_ip_address(host) ? X509_check_ip_asc(certificate, host.c_str(), flags) == 1
                             : X509_check_host(certificate, host.c_str(), host.size(), flags, nullptr) == 1;
}

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (const auto& word : words) out += (out.empty() ? "" : ", ") + word;
  return out;
}

std::string pem_of_peer(X509* certificate) {
  const OpenSslOwned<BIO> bio(BIO_new(BIO_s_mem()));
  char* text = nullptr;
  const long size = PEM_write_bio_X509(bio.get(), certificate) == 1 ? BIO_get_mem_data(bio.get(), &text) : 0;
  return std::string(text, static_cast<std::size_t>(size));
}

std::string why_not(int error, const CertificateFacts& facts) {
  switch (error) {
    case X509_V_ERR_CERT_HAS_EXPIRED: {
      char day[16] = "";
      std::tm broken_down{};
      ::gmtime_r(&facts.until, &broken_down);
      std::strftime(day, sizeof day, "%Y-%m-%d", &broken_down);
      return std::string("it expired on ") + day + ": the lab must renew it (nightwell keys relay FOLDER --renew)";
    }
    case X509_V_ERR_CERT_NOT_YET_VALID: return "it is not valid yet: is the clock of this computer right?";
    case X509_V_ERR_INVALID_PURPOSE: return "it is not one of a relay";
    case X509_V_ERR_DEPTH_ZERO_SELF_SIGNED_CERT:
    case X509_V_ERR_SELF_SIGNED_CERT_IN_CHAIN:
    case X509_V_ERR_UNABLE_TO_GET_ISSUER_CERT_LOCALLY:
    case X509_V_ERR_UNABLE_TO_VERIFY_LEAF_SIGNATURE:
    case X509_V_ERR_CERT_SIGNATURE_FAILURE: return "it is not by the authority in the follower's file";
    default: return X509_verify_cert_error_string(error);
  }
}

// OpenSSL asks once for each certificate of the chain, and once for each fault; the relay's own comes last.
int check_relay(int sound, X509_STORE_CTX* chain) {
  const auto* ssl = static_cast<SSL*>(X509_STORE_CTX_get_ex_data(chain, SSL_get_ex_data_X509_STORE_CTX_idx()));
  auto& identity = *static_cast<Identity*>(SSL_get_ex_data(ssl, identity_index()));
  X509* certificate = X509_STORE_CTX_get_current_cert(chain);
  const auto facts =
      certificate ? read_certificates(pem_of_peer(certificate)) : Result<std::vector<CertificateFacts>>(Error{});
  const CertificateFacts known = facts && !facts->empty() ? facts->front() : CertificateFacts{};
  if (!sound) {
    identity.wrong = why_not(X509_STORE_CTX_get_error(chain), known);
    return 0;
  }
  if (X509_STORE_CTX_get_error_depth(chain) > 0) return 1;
  for (const auto& host : identity.hosts)
    if (is_for(certificate, host)) return 1;
  identity.wrong =
      "it is for " + (known.hosts.empty() ? "no host" : joined(known.hosts)) + ", not for " + joined(identity.hosts);
  X509_STORE_CTX_set_error(chain, X509_V_ERR_HOSTNAME_MISMATCH);
  return 0;
}

// The alerts by which a server tells that it does not want this certificate (RFC 8446 section 6.2). A relay whose clock has lost
// the year sends two of them.
std::optional<Trouble> refused_by_alert(int alert) {
  switch (alert) {
    case SSL_AD_BAD_CERTIFICATE:
    case SSL_AD_ACCESS_DENIED:
      return Trouble{Kind::identity,
                     "the relay does not let this certificate in: its key is not on the relay's allow-list (or the "
                     "relay's clock is far behind)"};
    case SSL_AD_CERTIFICATE_EXPIRED:
      return Trouble{Kind::identity,
                     "the relay says that this certificate is not valid now (or the relay's clock is wrong)"};
    case SSL_AD_CERTIFICATE_REVOKED: return Trouble{Kind::final, "the relay says that this certificate was revoked"};
    case SSL_AD_UNKNOWN_CA:
      return Trouble{Kind::final, "the relay does not know the authority that issued this certificate"};
    case SSL_AD_CERTIFICATE_REQUIRED:
    case SSL_AD_UNSUPPORTED_CERTIFICATE:
    case SSL_AD_CERTIFICATE_UNKNOWN: return Trouble{Kind::final, "the relay refuses this certificate"};
    default: return std::nullopt;
  }
}

}  // namespace

struct RelayConnection::State {
  Identity identity;
  OpenSslOwned<SSL_CTX> settings;
  OpenSslOwned<SSL> ssl;
  BIO* coming = nullptr;  // of the SSL
  BIO* going = nullptr;
  journal::File socket;
  std::string where;
  CertificateFacts relay;
  bool ended = false;  // the other side sends no more

  // What OpenSSL's last error means.
  [[nodiscard]] Trouble trouble(const char* doing) const {
    const unsigned long error = ERR_get_error();
    const int reason = ERR_GET_REASON(error);
    ERR_clear_error();
    if (!identity.wrong.empty())
      return {Kind::identity, where + " cannot prove to be the relay, its certificate is refused: " + identity.wrong};
    constexpr int first_alert = SSL_AD_REASON_OFFSET;
    if (const auto refused = reason >= first_alert ? refused_by_alert(reason - first_alert) : std::nullopt)
      return *refused;
    if (error == 0 || reason == SSL_R_UNEXPECTED_EOF_WHILE_READING) return {Kind::passing, where + " closed the line"};
    const char* words = ERR_reason_error_string(error);
    return {Kind::passing, where + ": " + doing + ": " + (words ? words : "TLS failed")};
  }

  // Hands over what OpenSSL wants to send.
  Step flush(const Countdown& left, const Wait& wait) {
    char* bytes = nullptr;
    for (long size = BIO_get_mem_data(going, &bytes); size > 0; size = BIO_get_mem_data(going, &bytes)) {
      const ssize_t sent = ::send(socket.fd(), bytes, static_cast<std::size_t>(size), MSG_NOSIGNAL);
      if (sent > 0) {
        std::string done(static_cast<std::size_t>(sent), '\0');
        BIO_read(going, done.data(), static_cast<int>(done.size()));
        continue;
      }
      if (errno == EINTR) continue;
      // The other side may have said why before it hung up: reading tells.
      if (errno == EPIPE || errno == ECONNRESET) return {};
      if (errno != EAGAIN) return Trouble{Kind::passing, where + ": " + journal::system_text(errno)};
      const Wake woke = wait(socket.fd(), POLLOUT, left.left());
      if (woke == Wake::leave) return Left{};
      if (woke == Wake::time_up) return Trouble{Kind::passing, where + " takes nothing any more"};
    }
    return {};
  }

  // Takes what has come into OpenSSL's hands; waits for it.
  Step take(Duration longest, const Wait& wait) {
    const Wake woke = wait(socket.fd(), POLLIN, longest);
    if (woke == Wake::leave) return Left{};
    if (woke == Wake::time_up) return {};
    char bytes[read_bytes];
    const ssize_t count = ::recv(socket.fd(), bytes, sizeof bytes, 0);
    if (count < 0 && (errno == EAGAIN || errno == EINTR)) return {};
    if (count < 0) return Trouble{Kind::passing, where + ": " + journal::system_text(errno)};
    if (count == 0) {
      ended = true;
      BIO_set_mem_eof_return(coming, 0);
      return {};
    }
    BIO_write(coming, bytes, static_cast<int>(count));
    return {};
  }

  Step shake_hands(const Countdown& left, const Wait& wait) {
    for (;;) {
      ERR_clear_error();
      const int done = SSL_connect(ssl.get());
      const int why = SSL_get_error(ssl.get(), done);
      if (auto sent = flush(left, wait); done == 1 || !std::holds_alternative<std::monostate>(sent)) return sent;
      if (why != SSL_ERROR_WANT_READ || ended) return trouble("shaking hands");
      if (left.left() == Duration{0}) return Trouble{Kind::passing, where + ": no whole handshake within 10 s"};
      if (auto taken = take(left.left(), wait); !std::holds_alternative<std::monostate>(taken)) return taken;
    }
  }
};

RelayConnection::RelayConnection(std::unique_ptr<State> state) : state_(std::move(state)) {}
RelayConnection::RelayConnection(RelayConnection&&) noexcept = default;
RelayConnection& RelayConnection::operator=(RelayConnection&&) noexcept = default;
RelayConnection::~RelayConnection() = default;

const CertificateFacts& RelayConnection::relay() const {
  return state_->relay;
}

RelayConnection::Made RelayConnection::connect(const FollowerFile& file, const Address& at, const Wait& wait) {
  const Countdown left(connect_patience);
  auto state = std::make_unique<State>();
  state->where = print(at);
  state->identity.hosts = {file.relay.host};
  if (at.host != file.relay.host) state->identity.hosts.push_back(at.host);
  state->settings = client_settings(file);
  if (!state->settings)
    return Trouble{Kind::final, "the follower's file: key and certificates do not fit together, or are none"};

  auto found = addresses_of(at, left.left(), wait);
  if (const auto* trouble = std::get_if<Trouble>(&found)) return *trouble;
  if (std::holds_alternative<Left>(found)) return Left{};
  const auto& addresses = std::get<std::vector<HostAddress>>(found);
  Trouble last{Kind::passing, state->where + ": it has no address"};
  for (const auto& address : addresses) {
    const Duration longest = addresses.size() > 1 ? std::min(one_address_patience, left.left()) : left.left();
    auto dialled = dial(address, state->where, longest, wait);
    if (std::holds_alternative<Left>(dialled)) return Left{};
    if (auto* trouble = std::get_if<Trouble>(&dialled)) {
      last = std::move(*trouble);
      continue;
    }
    state->socket = std::move(std::get<journal::File>(dialled));
    break;
  }
  if (state->socket.fd() < 0) return last;

  state->ssl.reset(SSL_new(state->settings.get()));
  state->coming = BIO_new(BIO_s_mem());
  state->going = BIO_new(BIO_s_mem());
  SSL_set_bio(state->ssl.get(), state->coming, state->going);
  SSL_set_ex_data(state->ssl.get(), identity_index(), &state->identity);
  SSL_set_verify(state->ssl.get(), SSL_VERIFY_PEER, check_relay);
  if (!is_ip_address(file.relay.host)) SSL_set_tlsext_host_name(state->ssl.get(), file.relay.host.c_str());
  const Step shaken = state->shake_hands(left, wait);
  if (const auto* trouble = std::get_if<Trouble>(&shaken)) return *trouble;
  if (std::holds_alternative<Left>(shaken)) return Left{};
  const OpenSslOwned<X509> peer(SSL_get1_peer_certificate(state->ssl.get()));
  if (const auto facts = read_certificates(pem_of_peer(peer.get())); facts && !facts->empty())
    state->relay = facts->front();
  return RelayConnection(std::move(state));
}

Step RelayConnection::send(const std::string& line, const Wait& wait) {
  const std::string bytes = line + "\n";
  ERR_clear_error();
  if (SSL_write(state_->ssl.get(), bytes.data(), static_cast<int>(bytes.size())) <= 0) return state_->trouble("asking");
  return state_->flush(Countdown(connect_patience), wait);
}

RelayConnection::Received RelayConnection::receive(Duration longest, const Wait& wait) {
  const Step taken = state_->take(longest, wait);
  if (const auto* trouble = std::get_if<Trouble>(&taken)) return *trouble;
  if (std::holds_alternative<Left>(taken)) return Left{};
  std::string out;
  char bytes[16 * 1024];
  for (;;) {
    ERR_clear_error();
    const int count = SSL_read(state_->ssl.get(), bytes, sizeof bytes);
    if (count > 0) {
      out.append(bytes, static_cast<std::size_t>(count));
      continue;
    }
    // What TLS itself has to answer (new keys).
    if (auto sent = state_->flush(Countdown(connect_patience), wait); std::holds_alternative<Left>(sent)) return Left{};
    // What came before the end is given first; the next call meets the end again.
    if (!out.empty()) return out;
    const int why = SSL_get_error(state_->ssl.get(), count);
    if (why == SSL_ERROR_WANT_READ && !state_->ended) return out;
    return state_->trouble("reading");
  }
}

}  // namespace nightwell::remote
