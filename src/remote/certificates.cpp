#include "remote/certificates.hpp"

#include <arpa/inet.h>
#include <openssl/bio.h>
#include <openssl/bn.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/pkcs12.h>
#include <openssl/rand.h>
#include <openssl/x509.h>
#include <openssl/x509v3.h>

#include <algorithm>
#include <memory>

#include "remote/key_name.hpp"
#include "remote/tls.hpp"

namespace nightwell::remote {

namespace {

constexpr const char* making = "making a certificate";
constexpr std::size_t longest_subject = 60;  // RFC 5280 allows 64
constexpr std::time_t clocks_differ_s = 3600;
constexpr std::time_t day_s = 86400;

struct Freed {
  void operator()(BIO* p) const { BIO_free_all(p); }
  void operator()(EVP_PKEY* p) const { EVP_PKEY_free(p); }
  void operator()(X509* p) const { X509_free(p); }
  void operator()(X509_EXTENSION* p) const { X509_EXTENSION_free(p); }
  void operator()(BIGNUM* p) const { BN_free(p); }
  void operator()(PKCS12* p) const { PKCS12_free(p); }
  void operator()(GENERAL_NAMES* p) const { GENERAL_NAMES_free(p); }
  void operator()(STACK_OF(X509) * p) const { sk_X509_free(p); }
};
template <class T>
using Owned = std::unique_ptr<T, Freed>;

Error bad_text(std::string why, const std::string& where = "") {
  return {Errc::bad_input, making, std::move(why), where};
}

Error openssl_cannot(const char* what) {
  return {Errc::unexpected, making, std::string("OpenSSL cannot ") + what, ""};
}

Owned<BIO> memory_of(std::string_view text) {
  return Owned<BIO>(BIO_new_mem_buf(text.data(), static_cast<int>(text.size())));
}

std::string text_in(BIO* bio) {
  char* text = nullptr;
  const long size = BIO_get_mem_data(bio, &text);
  return std::string(text, static_cast<std::size_t>(std::max(size, 0L)));
}

int never_ask(char*, int, int, void*) {
  return -1;
}

Owned<EVP_PKEY> key_in(std::string_view pem) {
  return Owned<EVP_PKEY>(PEM_read_bio_PrivateKey(memory_of(pem).get(), nullptr, never_ask, nullptr));
}

Owned<X509> certificate_in(std::string_view pem) {
  return Owned<X509>(PEM_read_bio_X509(memory_of(pem).get(), nullptr, never_ask, nullptr));
}

std::string pem_of_key(EVP_PKEY* key) {
  const Owned<BIO> bio(BIO_new(BIO_s_mem()));
  return PEM_write_bio_PKCS8PrivateKey(bio.get(), key, nullptr, nullptr, 0, nullptr, nullptr) == 1 ? text_in(bio.get())
                                                                                                   : "";
}

std::string pem_of_certificate(X509* certificate) {
  const Owned<BIO> bio(BIO_new(BIO_s_mem()));
  return PEM_write_bio_X509(bio.get(), certificate) == 1 ? text_in(bio.get()) : "";
}

bool is_subject(std::string_view text) {
  return !text.empty() && text.size() <= longest_subject &&
         std::all_of(text.begin(), text.end(), [](char c) { return c >= ' ' && c <= '~'; });
}

bool set_random_serial(X509* certificate) {
  const Owned<BIGNUM> number(BN_new());
  return number && BN_rand(number.get(), 128, BN_RAND_TOP_ONE, BN_RAND_BOTTOM_ANY) == 1 &&
         BN_to_ASN1_INTEGER(number.get(), X509_get_serialNumber(certificate)) != nullptr;
}

bool add_extension(X509* certificate, X509* issuer, int kind, const std::string& value) {
  X509V3_CTX context;
  X509V3_set_ctx_nodb(&context);
  X509V3_set_ctx(&context, issuer, certificate, nullptr, nullptr, 0);
  const Owned<X509_EXTENSION> extension(X509V3_EXT_conf_nid(nullptr, &context, kind, value.c_str()));
  return extension && X509_add_ext(certificate, extension.get(), -1) == 1;
}

std::time_t moment(const ASN1_TIME* time) {
  std::tm broken_down{};
  return ASN1_TIME_to_tm(time, &broken_down) == 1 ? ::timegm(&broken_down) : 0;
}

// Every host is a name or an address by now: nothing in it that OpenSSL's list syntax could take for more.
std::string alternative_names(const std::vector<std::string>& hosts) {
  std::string out;
  for (const auto& host : hosts)
    out += (out.empty() ? "" : ",") + std::string(is_ip_address(host) ? "IP:" : "DNS:") + host;
  return out;
}

bool add_extensions(X509* certificate, X509* issuer, Role role, const std::vector<std::string>& hosts) {
  const auto add = [&](int kind, const std::string& value) { return add_extension(certificate, issuer, kind, value); };
  if (!add(NID_basic_constraints, role == Role::authority ? "critical,CA:TRUE,pathlen:0" : "critical,CA:FALSE") ||
      !add(NID_key_usage, role == Role::authority ? "critical,keyCertSign,cRLSign" : "critical,digitalSignature") ||
      !add(NID_subject_key_identifier, "hash") || !add(NID_authority_key_identifier, "keyid:always"))
    return false;
  if (role == Role::relay)
    return add(NID_ext_key_usage, "serverAuth") && add(NID_subject_alt_name, alternative_names(hosts));
  return role == Role::authority || add(NID_ext_key_usage, "clientAuth");
}

struct Wish {
  Role role = Role::follower;
  std::string name;
  std::vector<std::string> hosts;
  std::time_t now = 0;
  int days = 0;
};

// `issuer` and its key: null where it signs itself.
Result<KeyedCertificate> make_certificate(const Wish& wish, Owned<EVP_PKEY> key, X509* issuer, EVP_PKEY* issuer_key) {
  if (!is_subject(wish.name)) return bad_text("a name is 1 to 60 printable characters", wish.name);
  if (wish.days < fewest_days || wish.days > most_days) return bad_text("1 to 36500 days");
  if (!key) return openssl_cannot("make a key on P-256");
  const Owned<X509> made(X509_new());
  X509* own = issuer == nullptr ? made.get() : issuer;
  std::time_t from = wish.now - clocks_differ_s, until = wish.now + wish.days * day_s;
  if (issuer != nullptr) {
    from = std::max(from, moment(X509_get0_notBefore(issuer)));
    until = std::min(until, moment(X509_get0_notAfter(issuer)));
    if (until <= wish.now) return bad_text("the authority's own certificate has expired");
  }
  X509_NAME* subject = X509_get_subject_name(made.get());
  const bool done =
      X509_set_version(made.get(), X509_VERSION_3) == 1 && set_random_serial(made.get()) &&
      X509_NAME_add_entry_by_txt(subject, "CN", MBSTRING_UTF8, reinterpret_cast<const unsigned char*>(wish.name.data()),
                                 static_cast<int>(wish.name.size()), -1, 0) == 1 &&
      X509_set_issuer_name(made.get(), X509_get_subject_name(own)) == 1 &&
      ASN1_TIME_set(X509_getm_notBefore(made.get()), from) != nullptr &&
      ASN1_TIME_set(X509_getm_notAfter(made.get()), until) != nullptr && X509_set_pubkey(made.get(), key.get()) == 1 &&
      add_extensions(made.get(), own, wish.role, wish.hosts) &&
      X509_sign(made.get(), issuer_key == nullptr ? key.get() : issuer_key, EVP_sha256()) > 0;
  if (!done) return openssl_cannot("make it");
  KeyedCertificate out{pem_of_key(key.get()), pem_of_certificate(made.get())};
  if (out.key.empty() || out.certificate.empty()) return openssl_cannot("write it as PEM");
  return out;
}

Owned<EVP_PKEY> new_key() {
  return Owned<EVP_PKEY>(EVP_EC_gen("P-256"));
}

Result<KeyedCertificate> issue(const KeyedCertificate& authority, const Wish& wish, Owned<EVP_PKEY> key) {
  const auto issuer = certificate_in(authority.certificate);
  const auto issuer_key = key_in(authority.key);
  if (!issuer || !issuer_key) return bad_text("the authority's certificate or key cannot be read");
  if (X509_check_private_key(issuer.get(), issuer_key.get()) != 1)
    return bad_text("the authority's key is not that of its certificate");
  return make_certificate(wish, std::move(key), issuer.get(), issuer_key.get());
}

std::string common_name(const X509* certificate) {
  const X509_NAME* subject = X509_get_subject_name(certificate);
  const int at = X509_NAME_get_index_by_NID(subject, NID_commonName, -1);
  if (at < 0) return "";
  unsigned char* text = nullptr;
  const int size = ASN1_STRING_to_UTF8(&text, X509_NAME_ENTRY_get_data(X509_NAME_get_entry(subject, at)));
  if (size < 0) return "";
  std::string out(reinterpret_cast<const char*>(text), static_cast<std::size_t>(size));
  OPENSSL_free(text);
  return out;
}

std::string address_text(const ASN1_OCTET_STRING* address) {
  char text[INET6_ADDRSTRLEN];
  const int size = ASN1_STRING_length(address);
  if (size != 4 && size != 16) return "";
  return ::inet_ntop(size == 4 ? AF_INET : AF_INET6, ASN1_STRING_get0_data(address), text, sizeof text) ? text : "";
}

std::vector<std::string> hosts_of(const X509* certificate) {
  std::vector<std::string> out;
  const Owned<GENERAL_NAMES> names(
      static_cast<GENERAL_NAMES*>(X509_get_ext_d2i(certificate, NID_subject_alt_name, nullptr, nullptr)));
  for (int i = 0; names && i < sk_GENERAL_NAME_num(names.get()); ++i) {
    const GENERAL_NAME* entry = sk_GENERAL_NAME_value(names.get(), i);
    if (entry->type == GEN_IPADD) out.push_back(address_text(entry->d.iPAddress));
    if (entry->type == GEN_DNS)
      out.emplace_back(reinterpret_cast<const char*>(ASN1_STRING_get0_data(entry->d.dNSName)),
                       static_cast<std::size_t>(ASN1_STRING_length(entry->d.dNSName)));
  }
  return out;
}

CertificateFacts facts_of(X509* certificate) {
  CertificateFacts out;
  out.name = common_name(certificate);
  out.hosts = hosts_of(certificate);
  out.from = moment(X509_get0_notBefore(certificate));
  out.until = moment(X509_get0_notAfter(certificate));
  out.key = key_name(certificate);
  const bool serves = (X509_get_extension_flags(certificate) & EXFLAG_XKUSAGE) != 0 &&
                      (X509_get_extended_key_usage(certificate) & XKU_SSL_SERVER) != 0;
  out.role = X509_check_ca(certificate) != 0 ? Role::authority : serves ? Role::relay : Role::follower;
  return out;
}

}  // namespace

const char* name(Role role) {
  switch (role) {
    case Role::authority: return "authority";
    case Role::relay: return "relay";
    case Role::follower: return "follower";
  }
  return "";
}

bool is_ip_address(const std::string& text) {
  unsigned char parsed[sizeof(in6_addr)];
  return ::inet_pton(AF_INET, text.c_str(), parsed) == 1 || ::inet_pton(AF_INET6, text.c_str(), parsed) == 1;
}

// RFC 1123 section 2.1, RFC 1035 section 2.3.4: labels of 1 to 63 letters, digits and hyphens, 253 characters in all. One that ends
// in a number is no name (it would look like an address).
bool is_host_name(std::string_view text) {
  if (text.empty() || text.size() > 253) return false;
  std::size_t label = 0;
  bool digits_alone = true;
  char before = '.';
  for (const char c : text) {
    const bool digit = c >= '0' && c <= '9';
    const bool letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
    if (c == '.') {
      if (label == 0 || before == '-') return false;
      label = 0;
      digits_alone = true;
    } else {
      if (!(digit || letter || (c == '-' && label > 0)) || ++label > 63) return false;
      digits_alone = digits_alone && digit;
    }
    before = c;
  }
  return label > 0 && before != '-' && !digits_alone;
}

Result<KeyedCertificate> make_authority(const std::string& name, std::time_t now, int days) {
  return make_certificate({Role::authority, name, {}, now, days}, new_key(), nullptr, nullptr);
}

Result<KeyedCertificate> make_follower(const KeyedCertificate& authority, const std::string& name, std::time_t now,
                                       int days) {
  return issue(authority, {Role::follower, name, {}, now, days}, new_key());
}

Result<KeyedCertificate> make_relay(const KeyedCertificate& authority, const std::vector<std::string>& hosts,
                                    std::time_t now, int days, const std::string& key) {
  if (hosts.empty()) return bad_text("the name or address that followers connect to is missing");
  for (const auto& host : hosts)
    if (!is_ip_address(host) && !is_host_name(host)) return bad_text("this is no host's name and no address", host);
  auto own = key.empty() ? new_key() : key_in(key);
  if (!own) return bad_text("the relay's key cannot be read");
  return issue(authority, {Role::relay, "nightwell relay", hosts, now, days}, std::move(own));
}

PemParts split_pem(std::string_view text) {
  constexpr std::string_view begin = "-----BEGIN ";
  PemParts out;
  for (std::size_t at = text.find(begin); at != std::string_view::npos; at = text.find(begin, at + 1)) {
    const std::string_view rest = text.substr(at);
    const std::size_t label_end = rest.find("-----", begin.size());
    if (label_end == std::string_view::npos) break;
    const std::string label(rest.substr(begin.size(), label_end - begin.size()));
    const std::string last = "-----END " + label + "-----";
    const std::size_t end = rest.find(last);
    if (end == std::string_view::npos) continue;
    std::string part(rest.substr(0, end + last.size()));
    part += '\n';
    if (label == "CERTIFICATE") out.certificates.push_back(std::move(part));
    if (label.ends_with("PRIVATE KEY") && out.key.empty()) out.key = std::move(part);
  }
  return out;
}

Result<std::vector<CertificateFacts>> read_certificates(std::string_view pem) {
  std::vector<CertificateFacts> out;
  for (const auto& part : split_pem(pem).certificates) {
    const auto certificate = certificate_in(part);
    if (!certificate)
      return Error{Errc::bad_input, "reading a certificate", "what stands there as a certificate is none", ""};
    out.push_back(facts_of(certificate.get()));
  }
  return out;
}

Result<std::string> pack_for_browser(const KeyedCertificate& follower, const std::string& authority,
                                     const std::string& name, const std::string& password) {
  const auto key = key_in(follower.key);
  const auto certificate = certificate_in(follower.certificate), issuer = certificate_in(authority);
  if (!key || !certificate || !issuer) return bad_text("the follower's key or a certificate cannot be read");
  const Owned<STACK_OF(X509)> chain(sk_X509_new_null());
  if (!chain || sk_X509_push(chain.get(), issuer.get()) <= 0) return openssl_cannot("make a PKCS #12 file");
  // Triple DES and SHA-1 are what every phone still imports (newer schemes are refused by some with "wrong password"); what protects
  // the key is the password, which nobody can guess. Source of the scheme: RFC 7292 appendix C.
  const Owned<PKCS12> packed(PKCS12_create(password.c_str(), name.c_str(), key.get(), certificate.get(), chain.get(),
                                           NID_pbe_WithSHA1And3_Key_TripleDES_CBC,
                                           NID_pbe_WithSHA1And3_Key_TripleDES_CBC, PKCS12_DEFAULT_ITER, -1, 0));
  if (!packed || PKCS12_set_mac(packed.get(), password.c_str(), -1, nullptr, 0, PKCS12_DEFAULT_ITER, EVP_sha1()) != 1)
    return openssl_cannot("make a PKCS #12 file");
  const Owned<BIO> bio(BIO_new(BIO_s_mem()));
  if (i2d_PKCS12_bio(bio.get(), packed.get()) != 1) return openssl_cannot("write a PKCS #12 file");
  return text_in(bio.get());
}

Result<std::string> random_password() {
  constexpr std::string_view letters = "abcdefghkmnpqrstuvwxyz23456789";  // 30
  constexpr std::size_t length = 20;
  std::string out;
  while (out.size() < length) {
    unsigned char byte = 0;
    if (RAND_bytes(&byte, 1) != 1) return openssl_cannot("give random numbers");
    if (byte < 240) out += letters[byte % letters.size()];  // 240 = 8 x 30: each letter as likely
  }
  return out;
}

}  // namespace nightwell::remote
