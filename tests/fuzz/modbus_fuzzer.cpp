// libFuzzer's entry to Modbus: the first byte chooses frames alone or a whole conversation, the rest plays. Aborts where a
// property of modbus_property.hpp fails.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string_view>

#include "fuzz/modbus_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwell::tests;
  if (size == 0) return 0;
  const std::string_view rest(reinterpret_cast<const char*>(data) + 1, size - 1);
  const std::string complaint = data[0] % 4 == 0 ? complaint_about_frame(rest) : complaint_about_conversation(rest);
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}
