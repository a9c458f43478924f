// Where g++ compiles the fuzzers: its coverage calls (-fsanitize-coverage=trace-pc) counted where libFuzzer looks. clang 14
// cannot read the coroutines of g++'s library.
#include <cstddef>
#include <cstdint>

namespace {
constexpr std::size_t counters = 1 << 16;
__attribute__((section("__libfuzzer_extra_counters"))) std::uint8_t seen[counters];
}  // namespace

extern "C" __attribute__((no_sanitize_coverage, no_sanitize("address", "undefined"))) void __sanitizer_cov_trace_pc() {
  const auto place = reinterpret_cast<std::uintptr_t>(__builtin_return_address(0));
  std::uint8_t& count = seen[(place ^ (place >> 16)) % counters];
  if (count != 255) ++count;
}
