// The files of src/relay/page, built into the program.
#pragma once

#include <string_view>

namespace nightwell::relay::page_files {

[[nodiscard]] std::string_view shell();
[[nodiscard]] std::string_view now();
[[nodiscard]] std::string_view course();
[[nodiscard]] std::string_view plateaus();
[[nodiscard]] std::string_view events();
[[nodiscard]] std::string_view journal();
[[nodiscard]] std::string_view benches();
[[nodiscard]] std::string_view folder();
[[nodiscard]] std::string_view style();
[[nodiscard]] std::string_view script();

}  // namespace nightwell::relay::page_files
