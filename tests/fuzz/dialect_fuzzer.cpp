// libFuzzer's entry to dialects. The first byte chooses: 0 the loader with a fixed reply, 1 a sound dialect with the rest as
// the reply, else template and line, which a zero byte separates. Aborts where a property of dialect_property.hpp fails.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "fuzz/dialect_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  static const std::string shipped = shipped_dialect("terse-bath");
  if (size == 0) return 0;
  const std::string rest(reinterpret_cast<const char*>(data) + 1, size - 1);
  const std::size_t zero = rest.find('\0');
  const std::string complaint =
      data[0] % 3 == 0 ? complaint_about_dialect(rest, "T+020.50*62")
      : data[0] % 3 == 1
          ? complaint_about_dialect(shipped, rest)
          : complaint_about_match(rest.substr(0, zero), zero == std::string::npos ? "" : rest.substr(zero + 1));
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}
