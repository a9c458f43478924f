// libFuzzer's entry to plan_property.hpp. Aborts where the property fails.
#include "fuzz/fuzzer.hpp"
#include "fuzz/plan_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  return held(complaint_about_plan_input(bytes_of(data, size)));
}
