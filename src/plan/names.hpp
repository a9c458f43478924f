#pragma once
// The names in a map, in its order: what a misspelt name is compared with.

#include <string>
#include <vector>

namespace nightwell::plan {

template <class Map>
std::vector<std::string> names(const Map& map) {
  std::vector<std::string> out;
  for (const auto& [name, value] : map) out.push_back(name);
  return out;
}

}  // namespace nightwell::plan
