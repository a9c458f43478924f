#include "sequence/reading_order.hpp"

#include <algorithm>

namespace nightwell::sequence {

namespace {

using Indices = std::vector<std::size_t>;

// The junction channels that `channels` need, each once.
Indices junctions_of(const Plan& plan, const Indices& channels) {
  Indices out;
  for (const std::size_t c : channels)
    if (const auto* junction = std::get_if<JunctionChannel>(&plan.channels[c].junction))
      if (std::find(out.begin(), out.end(), junction->channel) == out.end()) out.push_back(junction->channel);
  return out;
}

void append(Indices& to, const Indices& more) {
  to.insert(to.end(), more.begin(), more.end());
}

Indices one_pass(const Indices& references, const Indices& items) {
  Indices out;
  if (!references.empty()) out.push_back(references.front());
  append(out, items);
  if (references.size() > 1) out.push_back(references.back());
  return out;
}

// Straight with one reference ends on the last item; mirrored closes on the reference.
Indices mirrored(const Indices& references, const Indices& items) {
  const Indices pass = one_pass(references, items);
  Indices out = pass;
  out.insert(out.end(), pass.rbegin(), pass.rend());
  return out;
}

// With two references they alternate, so that each brackets every item.
Indices bracketed(const Indices& references, const Indices& items) {
  if (references.empty()) return items;
  Indices out{references.front()};
  for (std::size_t i = 0; i < items.size(); ++i) {
    out.push_back(items[i]);
    out.push_back(references[(i + 1) % references.size()]);
  }
  return out;
}

}  // namespace

std::string_view name(ReadingOrder order) {
  switch (order) {
    case ReadingOrder::straight: return "straight";
    case ReadingOrder::mirrored: return "mirrored";
    case ReadingOrder::bracketed: return "bracketed";
  }
  return "";
}

Indices reference_visits(const Plan& plan) {
  const Indices references = channels_with(plan, Role::reference);
  Indices out = junctions_of(plan, references);
  append(out, references);
  return out;
}

Indices visits(const Plan& plan, ReadingOrder order) {
  const Indices references = channels_with(plan, Role::reference);
  const Indices items = channels_with(plan, Role::item);
  Indices both = references;
  append(both, items);
  const Indices junctions = junctions_of(plan, both);

  Indices out = junctions;
  switch (order) {
    case ReadingOrder::straight: append(out, one_pass(references, items)); return out;
    case ReadingOrder::mirrored: append(out, mirrored(references, items)); break;
    case ReadingOrder::bracketed: append(out, bracketed(references, items)); break;
  }
  out.insert(out.end(), junctions.rbegin(), junctions.rend());
  return out;
}

}  // namespace nightwell::sequence
