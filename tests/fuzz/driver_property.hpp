// What must hold of every line of a driver's conversation, whatever is on it.
#pragma once

#include <string>
#include <string_view>

namespace nightwell::tests {

// Empty: all is well. Bytes as they come from a driver or a host, several lines perhaps.
[[nodiscard]] std::string complaint_about_driver_bytes(std::string_view bytes);

}  // namespace nightwell::tests
