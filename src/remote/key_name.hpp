// How a public key is named in an allow-list: "sha256:" and 64 lower-case hex digits, the SHA-256 of its SubjectPublicKeyInfo
// (DER; RFC 5280 section 4.1.2.7), as
//   openssl x509 -in CERTIFICATE -pubkey -noout | openssl pkey -pubin -outform DER | sha256sum
// prints it.
#pragma once

#include <string_view>

namespace nightwell::remote {

inline constexpr std::string_view key_name_prefix = "sha256:";

[[nodiscard]] constexpr bool is_key_name(std::string_view text) {
  if (!text.starts_with(key_name_prefix) || text.size() != key_name_prefix.size() + 64) return false;
  for (const char c : text.substr(key_name_prefix.size()))
    if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'))) return false;
  return true;
}

}  // namespace nightwell::remote
