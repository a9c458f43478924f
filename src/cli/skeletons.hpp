// Drivers to begin with. They are the tree's own tested examples, embedded when the program is built, under a new name.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "nightwell/result.hpp"

namespace nightwell::cli {

// Which there are, for people.
[[nodiscard]] std::string skeleton_kinds();

struct Skeleton {
  std::vector<std::filesystem::path> files;
  std::string how_to_build;  // a command line; empty: there is nothing to build
  std::string how_to_try;    // likewise
};

// Makes the folder `name` here with the driver in it, and a test, check.sh, that builds it and runs its check. bad_input: no such
// kind, no such name, or the folder is there; storage: it cannot be written.
[[nodiscard]] Result<Skeleton> make_skeleton(const std::string& kind, const std::string& name);

}  // namespace nightwell::cli
