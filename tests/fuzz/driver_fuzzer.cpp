// libFuzzer's entry to driver_property.hpp. Aborts where the property fails.
#include "fuzz/driver_property.hpp"
#include "fuzz/fuzzer.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_driver_bytes(bytes_of(data, size)));
}
