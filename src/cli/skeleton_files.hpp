// Texts of the tree's own examples, embedded by CMake (skeleton_files.cpp.in).
#pragma once

#include <string_view>

namespace nightwell::cli::skeleton_files {

// The worked examples of docs/dialects.md.
[[nodiscard]] std::string_view source_dialect();
[[nodiscard]] std::string_view scanner_dialect();
[[nodiscard]] std::string_view register_dialect();
// demo/drivers.
[[nodiscard]] std::string_view python_source();
[[nodiscard]] std::string_view python_scanner();
[[nodiscard]] std::string_view python_scanner_simulator();
[[nodiscard]] std::string_view cpp_source();
[[nodiscard]] std::string_view cpp_source_cmake();
[[nodiscard]] std::string_view cpp_source_mirror();
[[nodiscard]] std::string_view cpp_scanner();
[[nodiscard]] std::string_view cpp_scanner_cmake();
[[nodiscard]] std::string_view cpp_scanner_mirror();

}  // namespace nightwell::cli::skeleton_files
