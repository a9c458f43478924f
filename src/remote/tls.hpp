// TLS as both ends of the line want it: version 1.3 only, a certificate on each side, one protocol name (ALPN, RFC 7301), no session
// tickets (who comes again shows a certificate again, and one that has expired meanwhile is refused).
//
// How public keys are named: remote/key_name.hpp.
// Source: OpenSSL's SSL interface by asio::ssl.
#pragma once

#include <openssl/types.h>

#include <asio/ip/tcp.hpp>
#include <asio/ssl/context.hpp>
#include <asio/ssl/stream.hpp>
#include <chrono>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "nightwell/result.hpp"
#include "remote/key_name.hpp"

namespace nightwell::remote {

using TlsStream = asio::ssl::stream<asio::ip::tcp::socket>;

// PEM files. The private key is refused where others than its owner may read it, or where it has a password.
struct Credentials {
  std::filesystem::path certificate, key;
  std::filesystem::path authority;  // what the other side's certificate must be issued by
};

// What each end needs, read from the files once. Peers without a certificate of the authority, valid now and made for their side's
// use (extended key usage, where the certificate has one), fail the handshake.
// A server speaks `protocol` only: a client that does not offer it fails the handshake, too.
// Errors: not_found, storage, refused (the key's mode), bad_input (no such thing in the file; key and certificate do not fit).
[[nodiscard]] Result<asio::ssl::context> server_context(const Credentials& credentials, std::string_view protocol);
[[nodiscard]] Result<asio::ssl::context> client_context(const Credentials& credentials, std::string_view protocol);

// Before a client's handshake: the certificate must be for this host, a name or an address as the person gave it (RFC 6125; no
// wildcards). Names go into the hello, too (SNI). Errors: bad_input (no name that can be checked).
[[nodiscard]] Result<void> expect_host(TlsStream& stream, const std::string& host);

// The name of a certificate's public key.
[[nodiscard]] std::string key_name(const X509* certificate);
// Of the peer's, after the handshake; empty where it showed none.
[[nodiscard]] std::string peer_key(TlsStream& stream);

// The certificate's last moment.
[[nodiscard]] std::chrono::system_clock::time_point last_valid(const X509* certificate);

// What a failed handshake, read or write means, for people: "the other side refused our certificate (expired)" and the like.
[[nodiscard]] std::string explain(const std::error_code& error, TlsStream& stream);

}  // namespace nightwell::remote
