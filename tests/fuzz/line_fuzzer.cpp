// libFuzzer's entry to line_property.hpp. Aborts where the property fails.
#include <cstdint>
#include <cstdio>
#include <cstdlib>

#include "fuzz/line_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string complaint =
      nightwell::tests::complaint_about_line(std::string_view(reinterpret_cast<const char*>(data), size));
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}
