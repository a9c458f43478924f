// libFuzzer's entry to the lines between a driver's program and its host, both sides.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "fuzz/driver_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string complaint =
      nightwell::tests::complaint_about_driver_bytes({reinterpret_cast<const char*>(data), size});
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}
