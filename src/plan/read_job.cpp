// Job: what is on the bench tonight.

#include <map>

#include "plan/drafts.hpp"
#include "plan/ranges.hpp"

namespace nightwell::plan {

namespace {

using sequence::Role;

void read_uses(const std::vector<ObjectReader::Element>& elements, Role role, JobDraft& job, FaultList& faults) {
  for (const auto& [value, place] : elements) {
    ObjectReader reader(value, place, faults);
    UseDraft use;
    use.role = role;
    use.place = place;
    use.channel = reader.text("channel", 100);
    use.card = reader.text("card", ranges::longest_path);
    reader.finish();
    job.uses.push_back(std::move(use));
  }
}

void read_labels(ObjectReader& reader, JobDraft& job) {
  job.sources_known = !reader.has("sources");
  const auto labels = reader.members_if("sources", 0, ranges::most_sources);
  if (!labels) return;
  job.sources_known = true;
  for (const auto& [label, value, place] : *labels) {
    if (value.is_string())
      job.sources.emplace(label, LabelDraft{value.get<std::string>(), place});
    else
      reader.faults().add(place, shown(value), "the name of a source of the bench");
  }
}

// A channel or a card that stands twice is a fault at its second place.
void check_used_once(const JobDraft& job, FaultList& faults) {
  std::map<std::string, const UseDraft*> channels, cards;
  for (const UseDraft& use : job.uses) {
    const auto once = [&](auto& seen, const std::optional<std::string>& name, const char* key, const char* allowed) {
      if (!name) return;
      const auto [first, fresh] = seen.emplace(*name, &use);
      if (!fresh)
        faults.add(use.place / key, in_quotes(*name), allowed, "it is used at " + first->second->place.pointer);
    };
    once(channels, use.channel, "channel", "a channel that is used once");
    once(cards, use.card, "card", "a card of its own");
  }
}

}  // namespace

JobDraft read_job(const Json& document, const std::string& file, FaultList& faults) {
  JobDraft job;
  ObjectReader reader(document, {file, ""}, faults);
  (void)reader.has("format");  // judged before
  job.name = reader.text("job", 100).value_or("");
  job.customer_reference = reader.text_if("customer_reference").value_or("");
  job.budget = reader.text_if("budget", ranges::longest_path);
  job.budget_at = reader.place("budget");
  read_labels(reader, job);
  job.references_at = reader.place("references");
  if (const auto references = reader.list("references", 0, ranges::most_references)) {
    job.references = references->size();
    read_uses(*references, Role::reference, job, faults);
  }
  if (const auto items = reader.list("items", 1, ranges::most_items)) {
    job.users_known = job.references.has_value();
    read_uses(*items, Role::item, job, faults);
  }
  job.junctions_known = !reader.has("junctions");
  if (!job.junctions_known)
    if (const auto junctions = reader.list("junctions", 0, ranges::most_junctions)) {
      job.junctions_known = true;
      read_uses(*junctions, Role::junction, job, faults);
    }
  reader.finish();
  check_used_once(job, faults);
  return job;
}

}  // namespace nightwell::plan
