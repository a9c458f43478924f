#include "cli/relay_folder.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <nlohmann/json.hpp>

#include "cli/new_file.hpp"
#include "journal/file.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;
using FolderJson = nlohmann::ordered_json;

constexpr const char* making_relay = "making a relay's folder";
constexpr const char* reading_relay = "reading a relay's folder";
constexpr std::uint64_t largest_file = 1024 * 1024;

Error folder_error(Errc code, const char* doing, std::string why, const fs::path& where) {
  return {code, doing, std::move(why), where.string()};
}

// A new file with these bytes, on disk; one that is there already stays.
Result<void> create_file(const fs::path& path, std::string_view bytes, mode_t mode) {
  const journal::File file{::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, mode)};
  if (file.fd() < 0 && errno == EEXIST)
    return folder_error(Errc::bad_input, "making a file",
                        "it is there already, and keys are never overwritten: move it away first", path);
  if (file.fd() < 0) return folder_error(Errc::storage, "making a file", journal::system_text(errno), path);
  int number = ::fchmod(file.fd(), mode) == 0 ? 0 : errno;
  while (number == 0 && !bytes.empty()) {
    const ssize_t done = ::write(file.fd(), bytes.data(), bytes.size());
    if (done < 0 && errno != EINTR) number = errno;
    if (done > 0) bytes.remove_prefix(static_cast<std::size_t>(done));
  }
  if (number == 0 && ::fsync(file.fd()) != 0) number = errno;
  if (number == 0) return {};
  ::unlink(path.c_str());
  return folder_error(Errc::storage, "making a file", journal::system_text(number), path);
}

// Whoever runs the relay can read it as before.
Result<void> replace_file(const fs::path& path, std::string_view bytes) {
  auto file = NewFile::create(path, 0644);
  if (!file) return file.error();
  if (auto done = file->write(bytes); !done) return done;
  if (auto done = file->sync(); !done) return done;
  return file->put_in_place(true);
}

Result<std::string> read_whole(const fs::path& path) {
  const auto file = journal::open_for_reading(path);
  if (!file) return folder_error(file.error().code, reading_relay, file.error().detail, path);
  const auto size = journal::size_of(*file, path);
  if (!size) return size.error();
  if (*size > largest_file) return folder_error(Errc::bad_input, reading_relay, "larger than 1 MiB", path);
  return journal::read_from(*file, path, 0, static_cast<std::size_t>(*size));
}

// The folder, held against others who would change it, and synced.
class HeldFolder {
 public:
  static Result<HeldFolder> hold(const fs::path& path) {
    journal::File folder{::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
    if (folder.fd() < 0)
      return folder_error(errno == ENOENT ? Errc::not_found : Errc::storage, reading_relay, journal::system_text(errno),
                          path);
    if (::flock(folder.fd(), LOCK_EX) != 0)
      return folder_error(Errc::storage, reading_relay, journal::system_text(errno), path);
    return HeldFolder(std::move(folder), path);
  }
  Result<void> sync() {
    if (::fsync(folder_.fd()) != 0)
      return folder_error(Errc::storage, making_relay, journal::system_text(errno), path_);
    return {};
  }

 private:
  HeldFolder(journal::File folder, fs::path path) : folder_(std::move(folder)), path_(std::move(path)) {}
  journal::File folder_;
  fs::path path_;
};

Result<FolderJson> read_config_json(const fs::path& path) {
  const auto text = read_whole(path);
  if (!text) return text.error();
  auto json = FolderJson::parse(*text, nullptr, false);
  if (!json.is_object() || !json.contains("allow") || !json["allow"].is_array() || !json.contains("listen") ||
      !json["listen"].is_string())
    return folder_error(Errc::bad_input, reading_relay, "it is no configuration of a relay (docs/relay.md)", path);
  return json;
}

Result<void> write_config_json(const fs::path& path, const FolderJson& json) {
  return replace_file(path, json.dump(2, ' ', true, FolderJson::error_handler_t::replace) + "\n");
}

Result<remote::KeyedCertificate> read_authority(const fs::path& folder) {
  auto key = read_whole(folder / "authority.key");
  if (!key) return key.error();
  auto certificate = read_whole(folder / "authority.pem");
  if (!certificate) return certificate.error();
  return remote::KeyedCertificate{std::move(key).value(), std::move(certificate).value()};
}

// The first certificate in a file.
Result<remote::CertificateFacts> read_facts(const fs::path& path) {
  const auto text = read_whole(path);
  if (!text) return text.error();
  const auto facts = remote::read_certificates(*text);
  if (!facts || facts->empty())
    return folder_error(Errc::bad_input, reading_relay, "there is no certificate in it", path);
  return facts->front();
}

bool is_follower_name(std::string_view name) {
  const auto plain = [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '.' || c == '_' ||
           c == '-';
  };
  return !name.empty() && name.size() <= 60 && name.front() != '.' && name.front() != '-' && name != "authority" &&
         name != "relay" && std::all_of(name.begin(), name.end(), plain);
}

std::string file_name_of(const FolderJson& entry) {
  return entry.is_object() && entry.contains("name") && entry["name"].is_string() ? entry["name"].get<std::string>()
                                                                                  : "";
}

Result<remote::Address> address_of_relay(const fs::path& folder, const FolderJson& config, const std::string& at) {
  if (!at.empty()) {
    if (const auto given = remote::parse_address(at)) return *given;
    return Error{Errc::bad_input, "reading --at", "a host and a port, lab.example.org:7440 or [2001:db8::7]:7440", at};
  }
  const auto relay = read_facts(folder / "relay.pem");
  if (!relay) return relay.error();
  const auto listens = remote::parse_address(config["listen"].get<std::string>());
  if (relay->hosts.empty() || !listens)
    return folder_error(Errc::bad_input, "finding the relay's address",
                        "relay.pem names no host, or relay.json no port: give --at HOST:PORT", folder);
  return remote::Address{relay->hosts.front(), listens->port};
}

// Files that are taken back unless all went well.
class Attempt {
 public:
  Result<void> create(const fs::path& path, std::string_view bytes, mode_t mode) {
    auto done = create_file(path, bytes, mode);
    if (done) made_.push_back(path);
    return done;
  }
  void keep() { made_.clear(); }
  ~Attempt() {
    for (const auto& path : made_) ::unlink(path.c_str());
  }

 private:
  std::vector<fs::path> made_;
};

Result<std::string> listen_address(const NewRelay& wish) {
  if (!wish.listen.empty()) {
    const auto given = remote::parse_address(wish.listen);
    if (given && remote::is_ip_address(given->host)) return wish.listen;
    return Error{Errc::bad_input, "reading --listen", "an address of this computer and a port, 192.0.2.7:7440",
                 wish.listen};
  }
  if (!wish.hosts.empty() && remote::is_ip_address(wish.hosts.front()))
    return remote::print(remote::Address{wish.hosts.front(), remote::usual_port});
  return Error{Errc::bad_input, "reading --listen",
               "the first --host is a name: give the address and port that the relay listens on, 192.0.2.7:7440", ""};
}

}  // namespace

Result<std::string> make_relay_folder(const NewRelay& wish, std::time_t now) {
  const auto listen = listen_address(wish);
  if (!listen) return listen.error();
  const auto authority =
      remote::make_authority("nightwell authority of " + wish.hosts.front().substr(0, 36), now, wish.authority_days);
  if (!authority) return authority.error();
  const auto relay = remote::make_relay(*authority, wish.hosts, now, wish.relay_days);
  if (!relay) return relay.error();
  std::error_code error;
  const auto state = fs::absolute(wish.state, error).lexically_normal();
  if (!wish.folder.parent_path().empty()) fs::create_directories(wish.folder.parent_path(), error);
  if (::mkdir(wish.folder.c_str(), 0700) != 0 && errno != EEXIST)
    return folder_error(Errc::storage, making_relay, journal::system_text(errno), wish.folder);
  auto folder = HeldFolder::hold(wish.folder);
  if (!folder) return folder.error();
  const FolderJson config = {{"state", state.string()},      {"listen", *listen},
                             {"certificate", "relay.pem"},   {"key", "relay.key"},
                             {"authority", "authority.pem"}, {"allow", FolderJson::array()}};
  Attempt attempt;
  const struct {
    const char* name;
    std::string bytes;
    mode_t mode;
  } files[] = {{"authority.key", authority->key, 0600},
               {"authority.pem", authority->certificate, 0644},
               {"relay.key", relay->key, 0600},
               {"relay.pem", relay->certificate, 0644},
               {"relay.json", config.dump(2) + "\n", 0644}};
  for (const auto& file : files)
    if (const auto made = attempt.create(wish.folder / file.name, file.bytes, file.mode); !made) return made.error();
  if (const auto synced = folder->sync(); !synced) return synced.error();
  attempt.keep();
  return *listen;
}

Result<remote::CertificateFacts> renew_relay(const fs::path& folder, std::vector<std::string> hosts, std::time_t now,
                                             int days) {
  auto held = HeldFolder::hold(folder);
  if (!held) return held.error();
  const auto authority = read_authority(folder);
  if (!authority) return authority.error();
  const auto key = read_whole(folder / "relay.key");
  if (!key) return key.error();
  if (hosts.empty()) {
    auto old = read_facts(folder / "relay.pem");
    if (!old) return old.error();
    hosts = std::move(old->hosts);
  }
  const auto relay = remote::make_relay(*authority, hosts, now, days, *key);
  if (!relay) return relay.error();
  if (const auto done = replace_file(folder / "relay.pem", relay->certificate); !done) return done.error();
  if (const auto synced = held->sync(); !synced) return synced.error();
  return read_facts(folder / "relay.pem");
}

Result<MadeFollower> add_follower(const NewFollower& wish, std::time_t now) {
  if (!is_follower_name(wish.name))
    return Error{Errc::bad_input, "adding a follower",
                 "a name is 1 to 60 letters, digits, '.', '_' or '-', and neither authority nor relay", wish.name};
  auto held = HeldFolder::hold(wish.folder);
  if (!held) return held.error();
  const auto config_path = wish.folder / "relay.json";
  auto config = read_config_json(config_path);
  if (!config) return config.error();
  auto& allow = (*config)["allow"];
  for (const auto& entry : allow)
    if (file_name_of(entry) == wish.name)
      return folder_error(Errc::bad_input, "adding a follower",
                          wish.name + " is on the allow-list already: nightwell keys remove first", config_path);
  const auto authority = read_authority(wish.folder);
  if (!authority) return authority.error();
  const auto relay = address_of_relay(wish.folder, *config, wish.at);
  if (!relay) return relay.error();
  const auto own = remote::make_follower(*authority, wish.name, now, wish.days);
  if (!own) return own.error();
  const auto facts = remote::read_certificates(own->certificate);
  if (!facts) return facts.error();

  MadeFollower out;
  out.relay = *relay;
  out.facts = facts->front();
  out.file = wish.folder / (wish.name + ".pem");
  remote::FollowerFile file;
  file.name = wish.name;
  file.relay = *relay;
  file.own = *own;
  file.authority = authority->certificate;
  Attempt attempt;
  if (const auto made = attempt.create(out.file, remote::print(file), 0600); !made) return made.error();
  if (wish.browser) {
    const auto password = remote::random_password();
    if (!password) return password.error();
    const auto packed = remote::pack_for_browser(*own, authority->certificate, wish.name, *password);
    if (!packed) return packed.error();
    out.password = *password;
    out.browser_file = wish.folder / (wish.name + ".p12");
    if (const auto made = attempt.create(out.browser_file, *packed, 0600); !made) return made.error();
  }
  if (const auto synced = held->sync(); !synced) return synced.error();
  allow.push_back({{"name", wish.name}, {"key", out.facts.key}});
  if (const auto written = write_config_json(config_path, *config); !written) return written.error();
  attempt.keep();
  if (const auto synced = held->sync(); !synced) return synced.error();
  return out;
}

Result<RemovedFollower> remove_follower(const fs::path& folder, const std::string& name) {
  auto held = HeldFolder::hold(folder);
  if (!held) return held.error();
  const auto config_path = folder / "relay.json";
  auto config = read_config_json(config_path);
  if (!config) return config.error();
  auto& allow = (*config)["allow"];
  const auto entry =
      std::find_if(allow.begin(), allow.end(), [&](const FolderJson& one) { return file_name_of(one) == name; });
  if (entry == allow.end())
    return folder_error(Errc::not_found, "removing a follower", name + " is not on the allow-list", config_path);
  const std::string key = entry->value("key", "");
  allow.erase(entry);
  if (const auto written = write_config_json(config_path, *config); !written) return written.error();
  if (const auto synced = held->sync(); !synced) return synced.error();
  return RemovedFollower{key, allow.size()};
}

}  // namespace nightwell::cli
