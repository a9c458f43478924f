#include "guardian/setup_file.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <fstream>
#include <string>
#include <system_error>
#include <variant>

namespace nightwell::guardian {

namespace {

Error kept_error(Errc code, const std::string& detail, const std::filesystem::path& path) {
  return Error{code, "keeping what the guardian guards", detail, path.string()};
}

bool write_whole(int file, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t written = ::write(file, bytes.data(), bytes.size());
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(written));
  }
  return true;
}

}  // namespace

std::filesystem::path setup_file(const std::filesystem::path& log) {
  return std::filesystem::path(log).replace_extension(".setup");
}

Result<void> keep_setup(const std::filesystem::path& log, std::string_view line) {
  const auto path = setup_file(log);
  const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
  if (file < 0) return kept_error(Errc::storage, std::generic_category().message(errno), path);
  const bool kept = write_whole(file, std::string(line) + "\n") && ::fsync(file) == 0;
  const int code = errno;
  ::close(file);
  if (!kept) return kept_error(Errc::storage, std::generic_category().message(code), path);
  // Its name too.
  const int folder = ::open(path.parent_path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  const bool named = folder >= 0 && ::fsync(folder) == 0;
  const int why = errno;
  if (folder >= 0) ::close(folder);
  if (!named) return kept_error(Errc::storage, std::generic_category().message(why), path.parent_path());
  return {};
}

Result<Setup> kept_setup(const std::filesystem::path& log) {
  const auto path = setup_file(log);
  std::ifstream file(path, std::ios::binary);
  if (!file) return kept_error(Errc::not_found, "there is no such file", path);
  std::string line;
  if (!std::getline(file, line) || file.eof()) return kept_error(Errc::bad_input, "it is not whole", path);
  auto request = parse_request(line);
  if (!request) return kept_error(Errc::bad_input, request.error().text(), path);
  if (auto* setup = std::get_if<Setup>(&*request)) return std::move(*setup);
  return kept_error(Errc::bad_input, "it says something else", path);
}

bool is_written(const std::filesystem::path& log) {
  const int file = ::open(log.c_str(), O_RDONLY | O_CLOEXEC);
  if (file < 0) return false;
  struct flock whole {};
  whole.l_type = F_WRLCK;
  const bool locked = ::fcntl(file, F_OFD_GETLK, &whole) == 0 && whole.l_type != F_UNLCK;
  ::close(file);
  return locked;
}

}  // namespace nightwell::guardian
