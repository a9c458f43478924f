#include "plan/nearest.hpp"

#include <algorithm>
#include <array>

namespace nightwell::plan {

namespace {

constexpr std::size_t longest_compared = 64;

using Row = std::array<std::size_t, longest_compared + 1>;

}  // namespace

std::size_t edit_distance(std::string_view a, std::string_view b) {
  a = a.substr(0, longest_compared);
  b = b.substr(0, longest_compared);
  Row before{}, last{}, row{};
  for (std::size_t j = 0; j <= b.size(); ++j) last[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = last[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1);
      row[j] = std::min({last[j] + 1, row[j - 1] + 1, replaced});
      const bool swapped = i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1];
      if (swapped) row[j] = std::min(row[j], before[j - 2] + 1);
    }
    before = last;
    last = row;
  }
  return last[b.size()];
}

std::optional<std::string> nearest(std::string_view word, const std::vector<std::string>& known) {
  std::optional<std::string> best;
  std::size_t fewest = longest_compared + 1;
  for (const std::string& candidate : known) {
    const std::size_t distance = edit_distance(word, candidate);
    const std::size_t enough = std::max<std::size_t>(2, std::max(word.size(), candidate.size()) / 3);
    if (distance > enough || distance >= fewest) continue;
    fewest = distance;
    best = candidate;
  }
  return best;
}

std::string meant(std::string_view word, const std::vector<std::string>& known) {
  const auto near = nearest(word, known);
  return near ? "did you mean \"" + *near + "\"?" : "";
}

}  // namespace nightwell::plan
