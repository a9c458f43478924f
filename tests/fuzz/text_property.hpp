// What holds for texts from a line or a file, whatever they hold.
#pragma once

#include <string>
#include <string_view>

namespace nightwell::tests {

// What is wrong with what was made of it, or nothing (the empty string).
// Replies in the formats of SCPI: numbers are finite, are what the C library reads, and the whole text; errors say why.
[[nodiscard]] std::string complaint_about_reply(std::string_view text);
// Wire logs: read, or refused with the line; bytes that are read are written and read again as the same.
[[nodiscard]] std::string complaint_about_wire_log(std::string_view text);

}  // namespace nightwell::tests
