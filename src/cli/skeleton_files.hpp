// Texts of the tree's own examples, embedded by CMake (skeleton_files.cpp.in).
#pragma once

namespace nightwell::cli::skeleton_files {

[[nodiscard]] const char* source_dialect();
[[nodiscard]] const char* scanner_dialect();
[[nodiscard]] const char* source_program();

}  // namespace nightwell::cli::skeleton_files
