#include "plan/program_files.hpp"

#include <system_error>

#include "program/trusted_program.hpp"

namespace nightwell::plan {

namespace {
namespace fs = std::filesystem;
}

ProgramFile read_program(const fs::path& directory, const std::string& name) {
  ProgramFile file;
  std::error_code failed;
  const fs::path whole = fs::absolute(directory / name, failed);
  if (failed) {
    file.unread = failed.message();
    return file;
  }
  file.path = whole.lexically_normal().string();
  const auto trusted = program::trusted_program(file.path, "looking at a driver's program", program::Owner::anybody);
  if (!trusted) {
    file.unread = trusted.error().where + ": " + trusted.error().detail;
    return file;
  }
  const auto digest = program::program_sha256(trusted->string());
  if (digest)
    file.sha256 = *digest;
  else
    file.unread = digest.error().where + ": " + digest.error().detail;
  return file;
}

bool is_sha256(const std::string& text) {
  return text.size() == 64 && text.find_first_not_of("0123456789abcdef") == std::string::npos;
}

}  // namespace nightwell::plan
