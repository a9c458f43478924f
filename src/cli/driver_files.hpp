// Where dialects and programs of this installation lie, and a dialect read from its file with every fault located.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "dialect/dialect.hpp"
#include "plan/fault.hpp"

namespace nightwell::cli {

// Beside this program, where an installation and a build tree have it.
[[nodiscard]] std::filesystem::path guardian_program();
// share/nightwell/dialects of the installation, or drivers/dialects of the source tree; empty: neither is there.
[[nodiscard]] std::filesystem::path shipped_dialects();

struct DialectFile {
  std::filesystem::path path;
  std::string text, sha256;
  std::string json;  // compact, as a plan carries it
  std::shared_ptr<const dialect::Dialect> value;
};
using DialectRead = std::variant<DialectFile, std::vector<plan::Fault>>;

// `name`: a path, or the name of a shipped dialect without ".json".
[[nodiscard]] std::filesystem::path dialect_path(const std::string& name);
[[nodiscard]] DialectRead read_dialect_file(const std::filesystem::path& path);

}  // namespace nightwell::cli
