#include "remote/tls.hpp"

#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/sha.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>
#include <sys/stat.h>

#include <algorithm>
#include <asio/buffer.hpp>
#include <asio/ip/address.hpp>
#include <asio/ssl/error.hpp>
#include <ctime>
#include <memory>

#include "journal/file.hpp"
#include "journal/hex.hpp"

namespace nightwell::remote {

namespace {

namespace fs = std::filesystem;

constexpr std::uint64_t largest_pem = 256 * 1024;
constexpr int most_certificates_between = 3;  // between a peer's certificate and the authority

using Certificate = std::unique_ptr<X509, decltype(&X509_free)>;

struct Pem {
  std::string text;
  bool others_may_read = false;
};

Result<Pem> read_pem(const fs::path& path) {
  constexpr const char* doing = "reading a certificate or key";
  const auto file = journal::open_for_reading(path);
  if (!file) return Error{file.error().code, doing, file.error().detail, path.string()};
  struct stat facts {};
  if (::fstat(file->fd(), &facts) != 0) return Error{Errc::storage, doing, "its mode cannot be read", path.string()};
  const auto size = static_cast<std::uint64_t>(facts.st_size);
  if (size > largest_pem) return Error{Errc::bad_input, doing, "larger than 256 KiB: no PEM file", path.string()};
  auto text = journal::read_from(*file, path, 0, static_cast<std::size_t>(size));
  if (!text) return text.error();
  return Pem{std::move(text).value(), (facts.st_mode & 077) != 0};
}

Error no_such_thing(const fs::path& path, const char* what, const asio::error_code& error) {
  return {Errc::bad_input, "reading a certificate or key", std::string("there is no ") + what + ": " + error.message(),
          path.string()};
}

Result<void> load_own(asio::ssl::context& context, const Credentials& credentials) {
  const auto certificate = read_pem(credentials.certificate), key = read_pem(credentials.key);
  if (!certificate) return certificate.error();
  if (!key) return key.error();
  if (key->others_may_read)
    return Error{Errc::refused, "reading a private key", "others than its owner may read it: chmod 600",
                 credentials.key.string()};
  asio::error_code error;
  // A service has nobody to ask for a password.
  context.set_password_callback([](std::size_t, asio::ssl::context::password_purpose) { return std::string(); }, error);
  context.use_certificate_chain(asio::buffer(certificate->text), error);
  if (error) return no_such_thing(credentials.certificate, "certificate in it (PEM)", error);
  context.use_private_key(asio::buffer(key->text), asio::ssl::context::pem, error);
  if (error && ERR_GET_REASON(static_cast<unsigned long>(error.value())) != X509_R_KEY_VALUES_MISMATCH)
    return no_such_thing(credentials.key, "private key in it (PEM, without a password)", error);
  if (error || SSL_CTX_check_private_key(context.native_handle()) != 1)
    return Error{Errc::bad_input, "reading a private key", "it is not the key of " + credentials.certificate.string(),
                 credentials.key.string()};
  return {};
}

Result<void> load_authority(asio::ssl::context& context, const fs::path& path) {
  const auto authority = read_pem(path);
  if (!authority) return authority.error();
  asio::error_code error;
  context.add_certificate_authority(asio::buffer(authority->text), error);
  if (error) return no_such_thing(path, "certificate in it (PEM)", error);
  // Named to the other side, so that it can choose among several certificates.
  const std::unique_ptr<BIO, decltype(&BIO_free)> bio(
      BIO_new_mem_buf(authority->text.data(), static_cast<int>(authority->text.size())), BIO_free);
  const Certificate first(PEM_read_bio_X509(bio.get(), nullptr, nullptr, nullptr), X509_free);
  if (first) SSL_CTX_add_client_CA(context.native_handle(), first.get());
  return {};
}

// ALPN's list: each name behind its length.
std::string protocol_list(std::string_view protocol) {
  return static_cast<char>(protocol.size()) + std::string(protocol);
}

int choose_protocol(SSL*, const unsigned char** out, unsigned char* out_size, const unsigned char* offered,
                    unsigned offered_size, void* ours) {
  const auto& list = *static_cast<const std::string*>(ours);
  unsigned char* chosen = nullptr;
  if (SSL_select_next_proto(&chosen, out_size, reinterpret_cast<const unsigned char*>(list.data()),
                            static_cast<unsigned>(list.size()), offered, offered_size) != OPENSSL_NPN_NEGOTIATED)
    return SSL_TLSEXT_ERR_ALERT_FATAL;
  *out = chosen;
  return SSL_TLSEXT_ERR_OK;
}

// The list of a server's protocols lives as long as its context.
void free_list(void*, void* list, CRYPTO_EX_DATA*, int, long, void*) {
  delete static_cast<std::string*>(list);
}

void speak_only(asio::ssl::context& context, std::string_view protocol, bool server) {
  const std::string list = protocol_list(protocol);
  if (!server) {
    SSL_CTX_set_alpn_protos(context.native_handle(), reinterpret_cast<const unsigned char*>(list.data()),
                            static_cast<unsigned>(list.size()));
    return;
  }
  static const int index = SSL_CTX_get_ex_new_index(0, nullptr, nullptr, nullptr, free_list);
  auto* kept = new std::string(list);
  SSL_CTX_set_ex_data(context.native_handle(), index, kept);
  SSL_CTX_set_alpn_select_cb(context.native_handle(), choose_protocol, kept);
}

Result<asio::ssl::context> make_context(const Credentials& credentials, std::string_view protocol, bool server) {
  asio::ssl::context context(server ? asio::ssl::context::tls_server : asio::ssl::context::tls_client);
  SSL_CTX* handle = context.native_handle();
  SSL_CTX_set_min_proto_version(handle, TLS1_3_VERSION);
  SSL_CTX_set_max_proto_version(handle, TLS1_3_VERSION);
  SSL_CTX_set_options(handle, SSL_OP_NO_TICKET);
  SSL_CTX_set_num_tickets(handle, 0);
  SSL_CTX_set_session_cache_mode(handle, SSL_SESS_CACHE_OFF);
  SSL_CTX_set_verify(handle, SSL_VERIFY_PEER | SSL_VERIFY_FAIL_IF_NO_PEER_CERT, nullptr);
  SSL_CTX_set_verify_depth(handle, most_certificates_between);
  // The authority may itself be issued by another one: it is trusted as it stands.
  X509_VERIFY_PARAM_set_flags(SSL_CTX_get0_param(handle), X509_V_FLAG_PARTIAL_CHAIN);
  speak_only(context, protocol, server);
  if (auto loaded = load_own(context, credentials); !loaded) return loaded.error();
  if (auto loaded = load_authority(context, credentials.authority); !loaded) return loaded.error();
  return context;
}

// What the other side's alert says (RFC 8446 section 6).
std::string explain_alert(int alert) {
  switch (alert) {
    case SSL_AD_BAD_CERTIFICATE:
      return "the other side does not let this certificate in: is its key on the allow-list?";
    case SSL_AD_CERTIFICATE_EXPIRED: return "the other side says that our certificate is not valid now";
    case SSL_AD_UNKNOWN_CA: return "the other side does not know the authority that issued our certificate";
    case SSL_AD_CERTIFICATE_REQUIRED: return "the other side wants a certificate";
    case SSL_AD_CERTIFICATE_UNKNOWN:
    case SSL_AD_UNSUPPORTED_CERTIFICATE: return "the other side refuses our certificate";
    case SSL_AD_PROTOCOL_VERSION: return "the other side speaks no TLS 1.3";
    case SSL_AD_NO_APPLICATION_PROTOCOL: return "the other side does not speak what we want to";
    default: return std::string("the other side ended the handshake: ") + SSL_alert_desc_string_long(alert);
  }
}

std::string explain_tls(int reason, const SSL* ssl) {
  switch (reason) {
    case SSL_R_CERTIFICATE_VERIFY_FAILED:
      return std::string("its certificate is refused: ") + X509_verify_cert_error_string(SSL_get_verify_result(ssl));
    case SSL_R_PEER_DID_NOT_RETURN_A_CERTIFICATE: return "it showed no certificate";
    case SSL_R_UNSUPPORTED_PROTOCOL:
    case SSL_R_VERSION_TOO_LOW: return "it speaks no TLS 1.3";
    case SSL_R_WRONG_VERSION_NUMBER:
    case SSL_R_HTTP_REQUEST:
    case SSL_R_HTTPS_PROXY_REQUEST: return "it does not speak TLS";
    case SSL_R_NO_APPLICATION_PROTOCOL: return "it does not ask for the protocol that is spoken here (ALPN)";
    default: break;
  }
  constexpr int first_alert = 1000;  // SSL_AD_REASON_OFFSET
  if (reason >= first_alert) return explain_alert(reason - first_alert);
  return "";
}

}  // namespace

Result<asio::ssl::context> server_context(const Credentials& credentials, std::string_view protocol) {
  return make_context(credentials, protocol, true);
}

Result<asio::ssl::context> client_context(const Credentials& credentials, std::string_view protocol) {
  return make_context(credentials, protocol, false);
}

Result<void> expect_host(TlsStream& stream, const std::string& host) {
  SSL* ssl = stream.native_handle();
  X509_VERIFY_PARAM* wanted = SSL_get0_param(ssl);
  X509_VERIFY_PARAM_set_hostflags(wanted, X509_CHECK_FLAG_NO_WILDCARDS | X509_CHECK_FLAG_NEVER_CHECK_SUBJECT);
  asio::error_code no_address;
  (void)asio::ip::make_address(host, no_address);
  const bool done =
      no_address ? !host.empty() && SSL_set1_host(ssl, host.c_str()) == 1 && SSL_set_tlsext_host_name(ssl, host.c_str())
                 : X509_VERIFY_PARAM_set1_ip_asc(wanted, host.c_str()) == 1;
  if (done) return {};
  return Error{Errc::bad_input, "connecting to a relay", "this is no name or address of a host", host};
}

std::string key_name(const X509* certificate) {
  unsigned char* der = nullptr;
  const int size = i2d_X509_PUBKEY(X509_get_X509_PUBKEY(certificate), &der);
  if (size <= 0) return "";
  unsigned char digest[SHA256_DIGEST_LENGTH];
  SHA256(der, static_cast<std::size_t>(size), digest);
  OPENSSL_free(der);
  return std::string(key_name_prefix) + journal::lower_hex(digest, sizeof digest);
}

std::string peer_key(TlsStream& stream) {
  const Certificate certificate(SSL_get1_peer_certificate(stream.native_handle()), X509_free);
  return certificate ? key_name(certificate.get()) : "";
}

std::chrono::system_clock::time_point last_valid(const X509* certificate) {
  std::tm broken_down{};
  if (ASN1_TIME_to_tm(X509_get0_notAfter(certificate), &broken_down) != 1) return {};
  return std::chrono::system_clock::from_time_t(::timegm(&broken_down));
}

std::string explain(const std::error_code& error, TlsStream& stream) {
  std::string words;
  if (error.category() == asio::error::get_ssl_category())
    words = explain_tls(ERR_GET_REASON(static_cast<unsigned long>(error.value())), stream.native_handle());
  if (error == asio::ssl::error::stream_truncated || error == asio::error::eof)
    words = "the other side closed the line";
  return words.empty() ? error.message() : words;
}

}  // namespace nightwell::remote
