// The text of one input file, as it was read.
//
// Errors of reading are no errors here: a file that could not be read says why in `unread`, and whoever reads its text turns that
// into a located fault beside all the others.
#pragma once

#include <cstddef>
#include <filesystem>
#include <string>

namespace nightwell::plan {

inline constexpr std::size_t largest_file = 1024 * 1024;  // bytes

struct FileText {
  std::string name;    // as the person gave it; for a card: the path as the job writes it
  std::string text;    // any bytes; what they are is load()'s business
  std::string unread;  // why it could not be read; empty: it was
};

// Reads a regular file, under the given name; of a file that is too large, one byte more than largest_file.
[[nodiscard]] FileText read_file(const std::filesystem::path& path, std::string name);

// Reads one file, a sensor card by itself for instance, under the name that the person gave.
[[nodiscard]] FileText gather_one(const std::filesystem::path& path);

}  // namespace nightwell::plan
