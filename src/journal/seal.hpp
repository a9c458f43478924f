// The last line of a journal: who closed it, provably, or that nobody signed it.
//
//   {"n":…,"utc":…,"up_s":…,"kind":"seal","algorithm":"Ed25519","key":"<64 hex>","signature":"<128 hex>","prev":"<64 hex>"}
//
// What is signed: the exact bytes of the line without LF and without the 128 digits of the signature, so that every byte of it
// counts; `prev` in it stands for all lines before. `key` is the public key, its 32 bytes as RFC 8032 encodes them: anyone can
// check that the signature fits, and who holds the lab's public key can check that it is the lab's. Unsigned: algorithm "none",
// key and signature null.
// Source: Ed25519 is RFC 8032, by OpenSSL's EVP interface; keys are PEM files (RFC 8410).
#pragma once

#include <filesystem>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "nightwell/result.hpp"

namespace nightwell::journal {

inline constexpr std::string_view seal_kind = "seal";

struct KeyHandle;  // OpenSSL's key

// Signs. One thread at a time.
class SigningKey {
 public:
  // Makes a new pair: `path` (private, mode 0600) and `path`.pub (public, 0644), neither of which may exist; both are on disk
  // when this returns. Errors: storage (also where a file is there already).
  static Result<SigningKey> make(const std::filesystem::path& path);

  // Reads a private key. Errors: not_found, storage, refused (others than its owner may read it), bad_input (it is no Ed25519
  // private key without a password).
  static Result<SigningKey> read(const std::filesystem::path& path);

  // 64 hex digits.
  [[nodiscard]] const std::string& public_key() const { return public_; }
  [[nodiscard]] const KeyHandle& handle() const { return *handle_; }

 private:
  explicit SigningKey(std::shared_ptr<KeyHandle> handle);
  std::shared_ptr<KeyHandle> handle_;
  std::string public_;
};

// The public key in a file, or the public half of a private one: 64 hex digits. Errors: not_found, storage, bad_input.
Result<std::string> read_public_key(const std::filesystem::path& path);

// The fields of a seal, with room for the signature where there is a key; null: nobody signs.
[[nodiscard]] nlohmann::ordered_json seal_fields(const SigningKey* key);

// Puts the signature into a line (without LF) that was made of seal_fields. Gives what is wrong where OpenSSL cannot sign.
[[nodiscard]] std::optional<std::string> sign(std::string& line, const SigningKey& key);

// What a seal line says: the public key of who signed, 64 hex digits, or nothing where nobody did.
struct Seal {
  std::optional<std::string> key;
};

// Reads a line (without LF) whose frame is right up to `head` (its bytes up to and including the kind) and checks its
// signature. A seal has one form only, so that no byte of it can change unseen. Gives what is wrong with it.
[[nodiscard]] std::optional<std::string> read_seal(std::string_view line, std::string_view head, Seal& out);

}  // namespace nightwell::journal
