// What holds for dialects whatever a file or a line holds: the loader makes a dialect or told faults, what it makes can be
// spoken, and what a template or the number parser takes of a line is part of that line.
#pragma once

#include <string>
#include <string_view>

namespace nightwell::tests {

// The shipped dialects: "terse-bath", "chatty-scanner", ….
[[nodiscard]] std::string shipped_dialect(const std::string& name);

// What is wrong with what the loader made of a file's text, or nothing (the empty string). A sound dialect is spoken to
// with `line` as the reply to every command.
[[nodiscard]] std::string complaint_about_dialect(const std::string& text, std::string_view line);
// The same of template and number parser alone, with a template of the caller's.
[[nodiscard]] std::string complaint_about_match(std::string_view pattern, std::string_view line);
// A fuzzer's input. The first byte chooses: 0 the loader with a fixed reply, 1 a sound dialect with the rest as the reply, else
// template and line, which a zero byte separates.
[[nodiscard]] std::string complaint_about_dialect_input(std::string_view input);

}  // namespace nightwell::tests
