// The relay's configuration: the text of its file -> a value, or every fault with its place (docs/relay.md has the keys).
// Pure: touches no file but the one that is given as text.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "plan/fault.hpp"
#include "plan/file_text.hpp"
#include "relay/allow_list.hpp"

namespace nightwell::relay {

// Where a listener listens.
struct ListenAddress {
  std::string address;     // IPv4 or IPv6, without brackets
  std::uint16_t port = 0;  // 0: any free one (the log says which)
  friend bool operator==(const ListenAddress&, const ListenAddress&) = default;
};

struct PageConfig {
  ListenAddress listen{"127.0.0.1", 7441};
  bool metrics = false;
};

struct Config {
  std::filesystem::path state;  // absolute
  ListenAddress listen;
  std::filesystem::path certificate, key, authority;  // as the file has them, relative ones beside the file
  AllowList allow;
  std::optional<PageConfig> page;
  int followers = 250;               // 1 to 1000
  std::chrono::seconds stalled{60};  // 5 to 3600
};

using ConfigResult = std::variant<Config, std::vector<plan::Fault>>;
[[nodiscard]] ConfigResult read_config(const plan::FileText& file);

// "192.0.2.7:7440", "[2001:db8::7]:7440"
[[nodiscard]] std::optional<ListenAddress> parse_listen_address(const std::string& text);
[[nodiscard]] std::string print(const ListenAddress& address);

}  // namespace nightwell::relay
