// libFuzzer's entry to modbus_property.hpp. Aborts where a property fails.
#include "fuzz/fuzzer.hpp"
#include "fuzz/modbus_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_modbus_input(bytes_of(data, size)));
}
