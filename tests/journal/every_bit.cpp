// every_bit JOURNAL FOLDER [STEP]: flips every STEPth bit of a closed journal (1: every one), one at a time, in copies in FOLDER,
// two threads side by side. Says how many were found and where; exit code 1 if one was not, or not near where it was.

#include "support/every_bit.hpp"

#include <cstdio>
#include <cstdlib>
#include <future>

int main(int count, char** arguments) {
  using namespace nightwell;
  if (count < 3) return 2;
  const std::filesystem::path journal = arguments[1], folder = arguments[2];
  const std::uint64_t step = count > 3 ? std::strtoull(arguments[3], nullptr, 10) : 1;
  const auto whole = journal::verify(journal);
  if (!whole || !whole->whole() || whole->files.size() != 1 || step == 0) {
    std::fputs("no whole journal in one file\n", stderr);
    return 2;
  }
  const auto half = [&](std::uint64_t number) {
    return tests::flip_bits(journal, folder / ("flipped-" + std::to_string(number)), number * step, 2 * step);
  };
  auto other = std::async(std::launch::async, half, 1);
  tests::Flips flips = half(0);
  const tests::Flips more = other.get();
  flips.unseen.insert(flips.unseen.end(), more.unseen.begin(), more.unseen.end());
  std::printf("%s: %llu bytes, %llu bits flipped: %llu found in their line, %llu in the next, %zu not\n",
              whole->seal->key ? "sealed" : "unsealed", static_cast<unsigned long long>(whole->bytes),
              static_cast<unsigned long long>(flips.tried + more.tried),
              static_cast<unsigned long long>(flips.in_its_line + more.in_its_line),
              static_cast<unsigned long long>(flips.in_the_next + more.in_the_next), flips.unseen.size());
  for (std::size_t i = 0; i < std::min<std::size_t>(flips.unseen.size(), 20); ++i)
    std::printf("  %s\n", flips.unseen[i].c_str());
  return flips.unseen.empty() ? 0 : 1;
}
