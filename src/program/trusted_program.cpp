#include "program/trusted_program.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <optional>
#include <string_view>
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

// Why the system could not run this file as the script that it is; empty: it could, it is no script, or it cannot be read. Else all
// that one sees is "No such file or directory" about a file that is there, or "Exec format error".
std::string unfit_script(const std::string& path) {
  const journal::File file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  std::array<char, 256> start{};  // the system itself looks no further
  const ssize_t got = file.fd() < 0 ? -1 : ::read(file.fd(), start.data(), start.size());
  if (got < 0) return "";
  std::string_view line(start.data(), static_cast<std::size_t>(got));
  line = line.substr(0, line.find('\n'));
  if (!line.starts_with("#!")) {
    const bool is_text = std::none_of(
        line.begin(), line.end(), [](unsigned char c) { return (c < 0x20 && c != '\t' && c != '\r') || c == 0x7f; });
    return is_text ? "it is no program: the first line of a script names its interpreter, as #!/usr/bin/env python3"
                   : "";
  }
  if (line.ends_with('\r'))
    return "its lines end with CR LF, and the CR becomes part of its interpreter's name: write it with LF alone";
  line.remove_prefix(2);
  line.remove_prefix(std::min(line.size(), line.find_first_not_of(" \t")));
  const std::string interpreter(line.substr(0, line.find_first_of(" \t")));
  if (interpreter.empty()) return "its first line, #!, names no interpreter";
  if (::access(interpreter.c_str(), X_OK) != 0)
    return "its first line names the interpreter \"" + interpreter + "\": " + journal::system_text(errno);
  return "";
}

}  // namespace

Result<fs::path> trusted_program(const std::string& path, const std::string& doing, Owner owner) {
  std::error_code failed;
  const fs::path real = fs::canonical(path, failed);
  if (failed) return Error{Errc::not_found, doing, failed.message(), path};
  struct stat facts {};
  if (::stat(real.c_str(), &facts) != 0 || !S_ISREG(facts.st_mode))
    return Error{Errc::bad_input, doing, "a folder, or no file at all: name the program itself", real.string()};
  if (::access(real.c_str(), X_OK) != 0)
    return Error{Errc::bad_input, doing, "no file that this user may run: chmod a+x", real.string()};
  if (const std::string why = unfit_script(real.string()); !why.empty())
    return Error{Errc::bad_input, doing, why, real.string()};
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
