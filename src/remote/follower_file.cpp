#include "remote/follower_file.hpp"

#include <sys/stat.h>

#include <charconv>

#include "journal/file.hpp"

namespace nightwell::remote {

namespace {

constexpr std::string_view name_line = "nightwell follower: ", relay_line = "relay: ";
constexpr std::size_t largest_follower_file = 256 * 1024;
constexpr const char* reading_follower = "reading a follower's file";

Error no_follower_file(const char* why) {
  return {Errc::bad_input, reading_follower,
          std::string(why) + ": it should be a file that `nightwell keys follower` made", ""};
}

// What stands behind `key` in a line of its own; empty where there is none.
std::string field(std::string_view text, std::string_view key) {
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    std::string_view line = text.substr(at, end - at);
    if (line.ends_with('\r')) line.remove_suffix(1);
    if (line.starts_with(key)) return std::string(line.substr(key.size()));
    at = end + 1;
  }
  return "";
}

}  // namespace

std::optional<Address> parse_address(std::string_view text) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string_view::npos) return std::nullopt;
  Address out;
  const char* end = text.data() + text.size();
  const auto [stopped, error] = std::from_chars(text.data() + colon + 1, end, out.port);
  if (error != std::errc() || stopped != end || out.port == 0) return std::nullopt;
  const bool brackets = text.front() == '[' && colon > 1 && text[colon - 1] == ']';
  out.host = brackets ? text.substr(1, colon - 2) : text.substr(0, colon);
  const bool six = out.host.find(':') != std::string::npos;
  if (brackets != six || !(is_ip_address(out.host) || (!six && is_host_name(out.host)))) return std::nullopt;
  return out;
}

std::string print(const Address& address) {
  const bool six = address.host.find(':') != std::string::npos;
  return (six ? "[" + address.host + "]" : address.host) + ":" + std::to_string(address.port);
}

std::string print(const FollowerFile& file) {
  return std::string(name_line) + file.name + "\n" + std::string(relay_line) + print(file.relay) + "\n" + file.own.key +
         file.own.certificate + file.authority;
}

Result<FollowerFile> parse_follower_file(std::string_view text) {
  FollowerFile out;
  out.name = field(text, name_line);
  const auto relay = parse_address(field(text, relay_line));
  if (!relay) return no_follower_file("there is no line \"relay: HOST:PORT\" in it");
  out.relay = *relay;
  auto parts = split_pem(text);
  if (parts.key.empty()) return no_follower_file("there is no private key in it");
  if (parts.certificates.size() != 2) return no_follower_file("there are not two certificates in it");
  for (std::size_t i = 0; i < 2; ++i) {
    const auto facts = read_certificates(parts.certificates[i]);
    if (!facts) return facts.error();
    (i == 0 ? out.facts : out.authority_facts) = facts->front();
  }
  if (out.authority_facts.role != Role::authority)
    return no_follower_file("its second certificate is not that of an authority");
  out.own = {std::move(parts.key), std::move(parts.certificates[0])};
  out.authority = std::move(parts.certificates[1]);
  return out;
}

Result<FollowerFile> read_follower_file(const std::filesystem::path& path) {
  const auto failed = [&](const Error& error) {
    return Error{error.code, reading_follower, error.detail, path.string()};
  };
  const auto file = journal::open_for_reading(path);
  if (!file) return failed(file.error());
  struct stat facts {};
  if (::fstat(file->fd(), &facts) != 0) return failed({Errc::storage, "", "its mode cannot be read", ""});
  if ((facts.st_mode & 077) != 0)
    return failed({Errc::refused, "", "others than its owner may read the private key in it: chmod 600", ""});
  const auto size = static_cast<std::size_t>(facts.st_size);
  if (size > largest_follower_file) return failed(no_follower_file("it is larger than 256 KiB"));
  const auto text = journal::read_from(*file, path, 0, size);
  if (!text) return failed(text.error());
  auto out = parse_follower_file(*text);
  if (!out) return failed(out.error());
  return out;
}

}  // namespace nightwell::remote
