#include "sequence/plan.hpp"

namespace nightwell::sequence {

std::vector<std::size_t> channels_with(const Plan& plan, Role role) {
  std::vector<std::size_t> out;
  for (std::size_t i = 0; i < plan.channels.size(); ++i)
    if (plan.channels[i].role == role) out.push_back(i);
  return out;
}

}  // namespace nightwell::sequence
