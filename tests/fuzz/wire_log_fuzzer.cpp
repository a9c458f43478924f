// libFuzzer's entry to text_property.hpp. Aborts where the property fails.
#include "fuzz/fuzzer.hpp"
#include "fuzz/text_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_wire_log(bytes_of(data, size)));
}
