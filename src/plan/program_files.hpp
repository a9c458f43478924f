// The driver programs that a bench names: where they are, and their hash at the time of the plan.
//
// What keeps one from being started is no error here: it stands in `unread`, and read_bench() turns it into a located fault.
#pragma once

#include <filesystem>
#include <string>

namespace nightwell::plan {

struct ProgramFile {
  std::string path;    // absolute
  std::string sha256;  // lower-case hex
  std::string unread;  // why it cannot be used; empty: it can
};

// A program as a bench in `directory` names it. Whose it is, is not looked at: the daemon's user counts, and whoever starts it looks.
[[nodiscard]] ProgramFile read_program(const std::filesystem::path& directory, const std::string& name);

[[nodiscard]] bool is_sha256(const std::string& text);

}  // namespace nightwell::plan
