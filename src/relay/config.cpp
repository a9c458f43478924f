#include "relay/config.hpp"

#include <arpa/inet.h>

#include <charconv>
#include <nlohmann/json.hpp>
#include <set>

#include "plan/document.hpp"
#include "plan/object_reader.hpp"
#include "remote/key_name.hpp"

namespace nightwell::relay {

namespace {

namespace fs = std::filesystem;
using plan::FaultList;
using plan::ObjectReader;

constexpr int deepest_config = 4;
constexpr std::size_t most_config_faults = 100, most_allowed = 1000, longest_path = 1000;
constexpr const char* listen_rule = "an address and a port, \"192.0.2.7:7440\" or \"[2001:db8::7]:7440\"";

bool is_address(int family, const std::string& text) {
  unsigned char parsed[sizeof(in6_addr)];
  return ::inet_pton(family, text.c_str(), parsed) == 1;
}

// A path of the file, beside it where relative.
fs::path path_of(ObjectReader& reader, const char* key, const fs::path& folder) {
  const auto path = reader.text(key, longest_path);
  return path ? folder / *path : fs::path();
}

ListenAddress listen_of(ObjectReader& reader, const char* key) {
  const auto text = reader.text(key);
  const auto parsed = text ? parse_listen_address(*text) : std::nullopt;
  if (text && !parsed) reader.refuse(key, listen_rule);
  return parsed.value_or(ListenAddress{});
}

AllowList allow_of(ObjectReader& reader) {
  AllowList out;
  const auto entries = reader.list("allow", 1, most_allowed);
  if (!entries) return out;
  std::set<std::string> names;
  for (const auto& [value, place] : *entries) {
    ObjectReader entry(value, place, reader.faults());
    const auto name = entry.text("name", 100);
    const auto key = entry.text("key");
    if (name && !names.insert(*name).second) entry.refuse("name", "each name once");
    if (key && !remote::is_key_name(*key))
      entry.refuse("key", "\"sha256:\" and 64 lower-case hex digits");
    else if (key && name && !out.add(*key, *name))
      entry.refuse("key", "each key once");
    entry.finish();
  }
  return out;
}

std::optional<PageConfig> page_of(ObjectReader& reader) {
  auto page = reader.object_if("page");
  if (!page) return std::nullopt;
  PageConfig out;
  if (page->has("listen")) out.listen = listen_of(*page, "listen");
  out.metrics = page->truth_if("metrics").value_or(false);
  page->finish();
  return out;
}

}  // namespace

std::optional<ListenAddress> parse_listen_address(const std::string& text) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string::npos || colon == 0) return std::nullopt;
  ListenAddress out;
  const char* end = text.data() + text.size();
  const auto [stopped, error] = std::from_chars(text.data() + colon + 1, end, out.port);
  if (error != std::errc() || stopped != end) return std::nullopt;
  const bool brackets = text[0] == '[' && text[colon - 1] == ']' && colon > 1;
  out.address = brackets ? text.substr(1, colon - 2) : text.substr(0, colon);
  if (!is_address(brackets ? AF_INET6 : AF_INET, out.address)) return std::nullopt;
  return out;
}

std::string print(const ListenAddress& address) {
  const bool six = address.address.find(':') != std::string::npos;
  return (six ? "[" + address.address + "]" : address.address) + ":" + std::to_string(address.port);
}

ConfigResult read_config(const plan::FileText& file) {
  FaultList faults(most_config_faults);
  const auto document = plan::parse_document(file, deepest_config, faults);
  if (!document) return std::move(faults).take();
  ObjectReader reader(*document, {file.name, ""}, faults);
  const fs::path folder = fs::path(file.name).parent_path();
  Config out;
  if (const auto state = reader.text("state", longest_path)) {
    out.state = *state;
    if (!out.state.is_absolute()) reader.refuse("state", "an absolute path");
  }
  out.listen = listen_of(reader, "listen");
  out.certificate = path_of(reader, "certificate", folder);
  out.key = path_of(reader, "key", folder);
  out.authority = path_of(reader, "authority", folder);
  out.allow = allow_of(reader);
  out.page = page_of(reader);
  if (reader.has("followers")) out.followers = reader.whole("followers", 1, 1000).value_or(out.followers);
  if (reader.has("stalled_s")) out.stalled = std::chrono::seconds(reader.whole("stalled_s", 5, 3600).value_or(60));
  reader.finish();
  if (!faults.empty()) return std::move(faults).take();
  return out;
}

}  // namespace nightwell::relay
