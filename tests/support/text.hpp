#pragma once
// Looking into text that people read, without fixing every blank of it.

#include <string>

namespace nightwell::tests {

inline bool holds(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace nightwell::tests
