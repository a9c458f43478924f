// SHA-256 of whole lines, with one OpenSSL context used again and again: setting a context up costs more than
// hashing a short line.
//
// Source: FIPS 180-4, by OpenSSL's EVP interface. Throws std::runtime_error where OpenSSL has no SHA-256 or
// no memory: a broken installation, which nothing here can work around. One thread.
#pragma once

#include <array>
#include <memory>
#include <string>
#include <string_view>

namespace nightwell::journal {

// Lower-case hex, without a terminating zero.
using HexDigest = std::array<char, 64>;

class Sha256 {
 public:
  Sha256();
  Sha256(Sha256&&) noexcept;
  Sha256& operator=(Sha256&&) noexcept;
  ~Sha256();

  [[nodiscard]] HexDigest hex(std::string_view bytes);

 private:
  struct Context;
  std::unique_ptr<Context> context_;
};

[[nodiscard]] inline std::string_view view(const HexDigest& digest) {
  return {digest.data(), digest.size()};
}

// What `prev` of the first line is.
[[nodiscard]] constexpr HexDigest zero_digest() {
  HexDigest digest{};
  digest.fill('0');
  return digest;
}

}  // namespace nightwell::journal
