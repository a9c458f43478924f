// libFuzzer's entry to dialect_property.hpp. Aborts where a property fails.
#include "fuzz/dialect_property.hpp"
#include "fuzz/fuzzer.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_dialect_input(bytes_of(data, size)));
}
