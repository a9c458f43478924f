#include "journal/seal.hpp"

#include <fcntl.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <nlohmann/json.hpp>
#include <stdexcept>

#include "journal/file.hpp"
#include "journal/hex.hpp"

namespace nightwell::journal {

struct KeyHandle {
  EVP_PKEY* key = nullptr;
  explicit KeyHandle(EVP_PKEY* k) : key(k) {}
  KeyHandle(const KeyHandle&) = delete;
  KeyHandle& operator=(const KeyHandle&) = delete;
  ~KeyHandle() { EVP_PKEY_free(key); }
};

namespace {

constexpr std::size_t signature_bytes = 64, public_bytes = 32;
constexpr std::string_view before_key = R"(,"algorithm":"Ed25519","key":")";
constexpr std::string_view before_signature = R"("signature":")";
constexpr std::string_view unsigned_fields = R"(,"algorithm":"none","key":null,"signature":null)";
constexpr std::size_t prev_bytes = std::string_view(R"(,"prev":""})").size() + 64;
constexpr std::size_t largest_key_file = 64 * 1024;

using Bio = std::unique_ptr<BIO, decltype(&BIO_free)>;
using Context = std::unique_ptr<EVP_MD_CTX, decltype(&EVP_MD_CTX_free)>;

int hex_value(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

template <std::size_t N>
bool from_hex(std::string_view text, std::array<unsigned char, N>& out) {
  if (text.size() != 2 * out.size()) return false;
  for (std::size_t i = 0; i < out.size(); ++i) {
    const int high = hex_value(text[2 * i]), low = hex_value(text[2 * i + 1]);
    if (high < 0 || low < 0) return false;
    out[i] = static_cast<unsigned char>(high * 16 + low);
  }
  return true;
}

std::string public_half(const KeyHandle& handle) {
  std::array<unsigned char, public_bytes> raw{};
  std::size_t size = raw.size();
  if (EVP_PKEY_get_raw_public_key(handle.key, raw.data(), &size) != 1 || size != raw.size())
    throw std::runtime_error("OpenSSL gives no public half of an Ed25519 key");
  return lower_hex(raw.data(), raw.size());
}

std::string pem_of(const KeyHandle& handle, bool secret) {
  const Bio bio(BIO_new(BIO_s_mem()), BIO_free);
  const int done = secret ? PEM_write_bio_PKCS8PrivateKey(bio.get(), handle.key, nullptr, nullptr, 0, nullptr, nullptr)
                          : PEM_write_bio_PUBKEY(bio.get(), handle.key);
  char* text = nullptr;
  const long size = done == 1 ? BIO_get_mem_data(bio.get(), &text) : 0;
  return std::string(text, static_cast<std::size_t>(std::max(size, 0L)));
}

// A new file with these bytes, on disk.
std::optional<Error> write_new(const std::filesystem::path& path, const std::string& bytes, mode_t mode) {
  const auto failed = [&](const std::string& why) { return Error{Errc::storage, "making a key", why, path.string()}; };
  const File file{::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, mode)};
  if (file.fd() < 0 && errno == EEXIST) return failed("a file is there already; a key is never overwritten");
  if (file.fd() < 0) return failed(system_text(errno));
  if (::fchmod(file.fd(), mode) == 0 && ::write(file.fd(), bytes.data(), bytes.size()) == ssize_t(bytes.size()) &&
      ::fsync(file.fd()) == 0)
    return std::nullopt;
  const int number = errno;
  ::unlink(path.c_str());
  return failed(system_text(number));
}

struct KeyFile {
  std::string bytes;
  mode_t mode = 0;
};

Result<KeyFile> read_key_file(const std::filesystem::path& path) {
  const auto failed = [&](Errc code, const std::string& why) {
    return Error{code, "reading a key", why, path.string()};
  };
  const File file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK)};
  if (file.fd() < 0) return failed(errno == ENOENT ? Errc::not_found : Errc::storage, system_text(errno));
  struct stat facts {};
  if (::fstat(file.fd(), &facts) != 0) return failed(Errc::storage, system_text(errno));
  if (!S_ISREG(facts.st_mode) || static_cast<std::size_t>(facts.st_size) > largest_key_file)
    return failed(Errc::bad_input, "it is no key file");
  KeyFile out{std::string(static_cast<std::size_t>(facts.st_size), '\0'), facts.st_mode};
  if (::pread(file.fd(), out.bytes.data(), out.bytes.size(), 0) != facts.st_size)
    return failed(Errc::storage, "it could not be read whole");
  return out;
}

// No password is ever asked for: a daemon has nobody to ask.
int no_password(char*, int, int, void*) {
  return -1;
}

std::shared_ptr<KeyHandle> private_key(const std::string& pem) {
  const Bio bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())), BIO_free);
  EVP_PKEY* key = PEM_read_bio_PrivateKey(bio.get(), nullptr, no_password, nullptr);
  return key ? std::make_shared<KeyHandle>(key) : nullptr;
}

std::shared_ptr<KeyHandle> public_key(const std::string& pem) {
  const Bio bio(BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size())), BIO_free);
  EVP_PKEY* key = PEM_read_bio_PUBKEY(bio.get(), nullptr, no_password, nullptr);
  return key ? std::make_shared<KeyHandle>(key) : nullptr;
}

bool is_ed25519(const std::shared_ptr<KeyHandle>& handle) {
  return handle && EVP_PKEY_get_base_id(handle->key) == EVP_PKEY_ED25519;
}

// Is `signature` this key's over `message`?
bool fits(std::string_view message, const std::array<unsigned char, signature_bytes>& signature,
          const std::array<unsigned char, public_bytes>& key) {
  const KeyHandle handle(EVP_PKEY_new_raw_public_key(EVP_PKEY_ED25519, nullptr, key.data(), key.size()));
  const Context context(EVP_MD_CTX_new(), EVP_MD_CTX_free);
  return handle.key && EVP_DigestVerifyInit(context.get(), nullptr, nullptr, nullptr, handle.key) == 1 &&
         EVP_DigestVerify(context.get(), signature.data(), signature.size(),
                          reinterpret_cast<const unsigned char*>(message.data()), message.size()) == 1;
}

}  // namespace

SigningKey::SigningKey(std::shared_ptr<KeyHandle> handle)
    : handle_(std::move(handle)), public_(public_half(*handle_)) {}

Result<SigningKey> SigningKey::make(const std::filesystem::path& path) {
  EVP_PKEY* made = EVP_PKEY_Q_keygen(nullptr, nullptr, "ED25519");
  if (!made) return Error{Errc::unexpected, "making a key", "OpenSSL makes no Ed25519 key", path.string()};
  const auto handle = std::make_shared<KeyHandle>(made);
  std::filesystem::path shared = path;
  shared += ".pub";
  if (auto failed = write_new(path, pem_of(*handle, true), 0600)) return *failed;
  if (auto failed = write_new(shared, pem_of(*handle, false), 0644)) {
    ::unlink(path.c_str());
    return *failed;
  }
  return SigningKey(handle);
}

Result<SigningKey> SigningKey::read(const std::filesystem::path& path) {
  const auto file = read_key_file(path);
  if (!file) return file.error();
  if ((file->mode & 0077) != 0)
    return Error{Errc::refused, "reading a key",
                 "others than its owner may read or change it: a seal would prove nothing (chmod 600)", path.string()};
  const auto handle = private_key(file->bytes);
  if (!is_ed25519(handle))
    return Error{Errc::bad_input, "reading a key", "it is no Ed25519 private key without a password (PEM)",
                 path.string()};
  return SigningKey(handle);
}

Result<std::string> read_public_key(const std::filesystem::path& path) {
  const auto file = read_key_file(path);
  if (!file) return file.error();
  auto handle = public_key(file->bytes);
  if (!handle) handle = private_key(file->bytes);
  if (!is_ed25519(handle)) return Error{Errc::bad_input, "reading a key", "it is no Ed25519 key (PEM)", path.string()};
  return public_half(*handle);
}

nlohmann::ordered_json seal_fields(const SigningKey* key) {
  if (!key) return {{"algorithm", "none"}, {"key", nullptr}, {"signature", nullptr}};
  return {{"algorithm", "Ed25519"}, {"key", key->public_key()}, {"signature", ""}};
}

std::optional<std::string> sign(std::string& line, const SigningKey& key) {
  const Context context(EVP_MD_CTX_new(), EVP_MD_CTX_free);
  std::array<unsigned char, signature_bytes> signature{};
  std::size_t size = signature.size();
  if (EVP_DigestSignInit(context.get(), nullptr, nullptr, nullptr, key.handle().key) != 1 ||
      EVP_DigestSign(context.get(), signature.data(), &size, reinterpret_cast<const unsigned char*>(line.data()),
                     line.size()) != 1)
    return "OpenSSL could not sign it";
  line.insert(line.rfind(before_signature) + before_signature.size(), lower_hex(signature.data(), size));
  return std::nullopt;
}

std::optional<std::string> read_seal(std::string_view line, std::string_view head, Seal& out) {
  const auto at = [&](std::size_t from, std::size_t count) {
    return from <= line.size() ? line.substr(from, count) : std::string_view();
  };
  if (at(0, head.size()) != head) return "it does not carry on from the closing record";
  const std::size_t from = head.size();
  if (at(from, unsigned_fields.size()) == unsigned_fields) {
    if (line.size() != from + unsigned_fields.size() + prev_bytes) return "there is more in it than a seal has";
    out.key.reset();
    return std::nullopt;
  }
  const std::size_t key_at = from + before_key.size(),
                    signature_at = key_at + 2 * public_bytes + before_signature.size() + 2;
  std::array<unsigned char, public_bytes> key{};
  std::array<unsigned char, signature_bytes> signature{};
  if (at(from, before_key.size()) != before_key || !from_hex(at(key_at, 2 * public_bytes), key) ||
      !from_hex(at(signature_at, 2 * signature_bytes), signature))
    return "it is neither unsigned nor signed with Ed25519";
  std::string message(line);
  message.erase(signature_at, 2 * signature_bytes);
  if (!fits(message, signature, key)) return "its signature does not fit: it or what it seals was changed";
  out.key = std::string(at(key_at, 2 * public_bytes));
  return std::nullopt;
}

}  // namespace nightwell::journal
