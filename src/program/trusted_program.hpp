// Whether a program may be started: one rule for hooks and for drivers.
#pragma once

#include <filesystem>
#include <string>

#include "nightwell/result.hpp"

namespace nightwell::program {

inline constexpr std::size_t largest_program = 64 * 1024 * 1024;  // bytes, of a driver: it is hashed before each start

// Whose files and folders may be on the way. anybody's: where another process, perhaps of another user, starts it and looks again.
enum class Owner { root_or_us, anybody };

// The program behind a path, with its links resolved, if nobody but root and this program's user can change it: it and every
// folder above it belong to one of them, and no group and no other may write there (a folder with the sticky bit set will do).
// `doing` stands in the error. Errors: not_found; bad_input (not a file that can be run, or a
// script without an interpreter that is there); refused (somebody else could change it).
[[nodiscard]] Result<std::filesystem::path> trusted_program(const std::string& path, const std::string& doing,
                                                            Owner owner = Owner::root_or_us);

// SHA-256 of the file, lower-case hex. Errors: storage; bad_input (no regular file, or larger than largest_program).
[[nodiscard]] Result<std::string> program_sha256(const std::string& path);

}  // namespace nightwell::program
