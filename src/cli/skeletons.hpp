// Drivers to begin with. They are the tree's own tested examples, embedded when the program is built, under a new name.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::cli {

inline constexpr const char* skeleton_kinds =
    "source-dialect or scanner-dialect: a JSON file; source-program: a program in Python";

struct Skeleton {
  std::vector<std::filesystem::path> files;
  std::string how_to_try;  // a command line
};

// Makes the folder `name` here with the driver in it, and a test that runs its check. bad_input: no such kind, no such name, or the
// folder is there; storage: it cannot be written.
[[nodiscard]] Result<Skeleton> make_skeleton(const std::string& kind, const std::string& name);

}  // namespace nightwell::cli
