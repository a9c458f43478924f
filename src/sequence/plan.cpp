#include "sequence/plan.hpp"

namespace nightwell::sequence {

std::string_view name(SourceKind kind) {
  switch (kind) {
    case SourceKind::dry_well: return "dry_well";
    case SourceKind::bath: return "bath";
    case SourceKind::furnace: return "furnace";
  }
  return "";
}

std::string_view name(Role role) {
  switch (role) {
    case Role::reference: return "reference";
    case Role::item: return "item";
    case Role::junction: return "junction";
  }
  return "";
}

std::string_view name(Placement placement) {
  return placement == Placement::inside ? "inside" : "after";
}

std::string_view name(LimitPolicy policy) {
  switch (policy) {
    case LimitPolicy::park: return "park";
    case LimitPolicy::stop: return "stop";
    case LimitPolicy::skip: return "skip";
    case LimitPolicy::capture: return "capture";
  }
  return "";
}

std::vector<std::size_t> channels_with(const Plan& plan, Role role) {
  std::vector<std::size_t> out;
  for (std::size_t i = 0; i < plan.channels.size(); ++i)
    if (plan.channels[i].role == role) out.push_back(i);
  return out;
}

}  // namespace nightwell::sequence
