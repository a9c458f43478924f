// The few X.509 certificates of a lab that lets others follow its runs: its own authority, the relay's certificate and one for each
// follower.
//
// Text in, text out (PEM); touches no file and no clock. ECDSA on P-256 with SHA-256, which browsers take too; version 3, serial
// numbers of 128 random bits; subject and authority key identifiers; basicConstraints and keyUsage critical:
//   authority  CA, path length 0, keyCertSign and cRLSign
//   relay      digitalSignature, serverAuth, subjectAltName with every host
//   follower   digitalSignature, clientAuth
// So a follower's certificate cannot stand for a relay's. Valid from an hour before they are made (clocks differ) and never longer
// than their authority.
// Source: RFC 5280; made by OpenSSL's X509 interface.
// Errors: bad_input (a name, a host, or a text that is no certificate), unexpected (OpenSSL cannot).
#pragma once

#include <ctime>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::remote {

enum class Role { authority, relay, follower };
[[nodiscard]] const char* name(Role role);

// How long certificates are valid unless somebody says otherwise.
inline constexpr int authority_days = 3650, issued_days = 730;
inline constexpr int fewest_days = 1, most_days = 36500;
// So long before the end people are warned.
inline constexpr int warn_days = 30;

// A certificate and its private key. Secret: the key has no password.
struct KeyedCertificate {
  std::string key, certificate;  // PEM: PKCS #8, X.509
};

// `name`: the subject's common name, 1 to 60 printable characters. A new key each.
[[nodiscard]] Result<KeyedCertificate> make_authority(const std::string& name, std::time_t now, int days);
[[nodiscard]] Result<KeyedCertificate> make_follower(const KeyedCertificate& authority, const std::string& name,
                                                     std::time_t now, int days);
// `hosts`: names (letters, digits, hyphens and dots) and addresses, at least one. `key`: the private key (PEM) to make it for;
// empty: a new one.
[[nodiscard]] Result<KeyedCertificate> make_relay(const KeyedCertificate& authority,
                                                  const std::vector<std::string>& hosts, std::time_t now, int days,
                                                  const std::string& key = "");

// What a certificate says of itself. Texts are from outside.
struct CertificateFacts {
  Role role = Role::follower;
  std::string name;                // common name
  std::vector<std::string> hosts;  // of a relay's
  std::time_t from = 0, until = 0;
  std::string key;  // "sha256:…" (remote/key_name.hpp)

  [[nodiscard]] bool expired(std::time_t now) const { return now > until; }
  // Days until it ends, begun ones counted; 0 where it has.
  [[nodiscard]] int days_left(std::time_t now) const {
    return expired(now) ? 0 : static_cast<int>((until - now + 86399) / 86400);
  }
};

// All certificates in a PEM text, in their order; other things in it are passed by. None is no error.
[[nodiscard]] Result<std::vector<CertificateFacts>> read_certificates(std::string_view pem);
// The parts of a PEM text: the first private key (or nothing), and each certificate.
struct PemParts {
  std::string key;
  std::vector<std::string> certificates;
};
[[nodiscard]] PemParts split_pem(std::string_view text);

// The same in one PKCS #12 file (RFC 7292) under a password, as phones and browsers import it.
[[nodiscard]] Result<std::string> pack_for_browser(const KeyedCertificate& follower, const std::string& authority,
                                                   const std::string& name, const std::string& password);
// 20 letters and digits that are not mistaken for one another: 98 random bits.
[[nodiscard]] Result<std::string> random_password();

// A host as subjectAltName may have it.
[[nodiscard]] bool is_ip_address(const std::string& text);
[[nodiscard]] bool is_host_name(std::string_view text);

}  // namespace nightwell::remote
