// What every libFuzzer entry of ours does with a property's word.
#pragma once

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>

namespace nightwell::tests {

inline std::string_view bytes_of(const std::uint8_t* data, std::size_t size) {
  return {reinterpret_cast<const char*>(data), size};
}

// Ends the program where something is wrong, so that the fuzzer keeps the input.
inline int held(const std::string& complaint) {
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}

}  // namespace nightwell::tests
