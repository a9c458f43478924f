// libFuzzer's entry to line_property.hpp. Aborts where the property fails.
#include "fuzz/fuzzer.hpp"
#include "fuzz/line_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_line(bytes_of(data, size)));
}
