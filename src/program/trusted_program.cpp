#include "program/trusted_program.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <optional>
#include <system_error>

#include "journal/file.hpp"
#include "journal/sha256.hpp"

namespace nightwell::program {

namespace {

namespace fs = std::filesystem;

// Why others than root and we can change this file or folder; empty: they cannot.
std::string changeable(const struct stat& facts, Owner owner) {
  if (owner == Owner::root_or_us && facts.st_uid != 0 && facts.st_uid != ::geteuid())
    return "it belongs to user " + std::to_string(facts.st_uid) + ", neither root nor ours";
  const bool sticky = S_ISDIR(facts.st_mode) && (facts.st_mode & S_ISVTX) != 0;
  if ((facts.st_mode & (S_IWGRP | S_IWOTH)) != 0 && !sticky) return "others may write there: chmod go-w";
  return "";
}

}  // namespace

Result<fs::path> trusted_program(const std::string& path, const std::string& doing, Owner owner) {
  std::error_code failed;
  const fs::path real = fs::canonical(path, failed);
  if (failed) return Error{Errc::not_found, doing, failed.message(), path};
  struct stat facts {};
  if (::stat(real.c_str(), &facts) != 0 || !S_ISREG(facts.st_mode) || ::access(real.c_str(), X_OK) != 0)
    return Error{Errc::bad_input, doing, "no file that this user may run: chmod a+x", real.string()};
  for (fs::path part = real;; part = part.parent_path()) {
    if (::lstat(part.c_str(), &facts) != 0) return Error{Errc::not_found, doing, "it has just gone", part.string()};
    if (const std::string why = changeable(facts, owner); !why.empty())
      return Error{Errc::refused, doing, why, part.string()};
    if (part == part.root_path()) return real;
  }
}

Result<std::string> program_sha256(const std::string& path) {
  const std::string doing = "reading a driver's program";
  const journal::File file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  struct stat facts {};
  if (file.fd() < 0 || ::fstat(file.fd(), &facts) != 0)
    return Error{Errc::storage, doing, journal::system_text(errno), path};
  if (!S_ISREG(facts.st_mode)) return Error{Errc::bad_input, doing, "it is not a regular file", path};
  if (static_cast<std::uint64_t>(facts.st_size) > largest_program)
    return Error{Errc::bad_input, doing, "it is larger than 64 MiB", path};
  std::string bytes(static_cast<std::size_t>(facts.st_size), '\0');
  for (std::size_t at = 0; at < bytes.size();) {
    const ssize_t got = ::read(file.fd(), bytes.data() + at, bytes.size() - at);
    if (got < 0 && errno == EINTR) continue;
    if (got <= 0) return Error{Errc::storage, doing, got < 0 ? journal::system_text(errno) : "it became shorter", path};
    at += static_cast<std::size_t>(got);
  }
  journal::Sha256 digest;
  return std::string(journal::view(digest.hex(bytes)));
}

}  // namespace nightwell::program
