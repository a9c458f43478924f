#include "journal/sha256.hpp"

#include <openssl/evp.h>

#include <stdexcept>

namespace nightwell::journal {

namespace {
void require(bool done) {
  if (!done) throw std::runtime_error("OpenSSL gives no SHA-256: check its installation");
}
}  // namespace

struct Sha256::Context {
  EVP_MD* method = EVP_MD_fetch(nullptr, "SHA256", nullptr);
  EVP_MD_CTX* state = EVP_MD_CTX_new();

  Context() = default;
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;
  ~Context() {
    EVP_MD_CTX_free(state);
    EVP_MD_free(method);
  }
};

Sha256::Sha256() : context_(std::make_unique<Context>()) {
  require(context_->method != nullptr && context_->state != nullptr);
}
Sha256::Sha256(Sha256&&) noexcept = default;
Sha256& Sha256::operator=(Sha256&&) noexcept = default;
Sha256::~Sha256() = default;

HexDigest Sha256::hex(std::string_view bytes) {
  std::array<unsigned char, 32> digest{};
  unsigned length = 0;
  require(EVP_DigestInit_ex(context_->state, context_->method, nullptr) == 1 &&
          EVP_DigestUpdate(context_->state, bytes.data(), bytes.size()) == 1 &&
          EVP_DigestFinal_ex(context_->state, digest.data(), &length) == 1 && length == digest.size());
  constexpr std::string_view digits = "0123456789abcdef";
  HexDigest out{};
  for (std::size_t i = 0; i < digest.size(); ++i) {
    out[2 * i] = digits[digest[i] >> 4];
    out[2 * i + 1] = digits[digest[i] & 0x0f];
  }
  return out;
}

}  // namespace nightwell::journal
