// Who may read: names, and the public keys that they show (remote/tls.hpp has how a key is named).
#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>

namespace nightwell::relay {

class AllowList {
 public:
  // False where the key is there already.
  bool add(const std::string& key, const std::string& name) { return names_.emplace(key, name).second; }
  // Nothing: nobody with this key may read.
  [[nodiscard]] std::optional<std::string> name_of(std::string_view key) const {
    const auto found = names_.find(key);
    return found == names_.end() ? std::nullopt : std::optional<std::string>(found->second);
  }
  [[nodiscard]] std::size_t size() const { return names_.size(); }

 private:
  std::map<std::string, std::string, std::less<>> names_;
};

}  // namespace nightwell::relay
