#include <algorithm>

#include "plan/resolve.hpp"

namespace nightwell::plan {

namespace {

using namespace sequence;  // NOLINT: this file is about its types only

// Position of a name in a list that holds it: no fault was found, so every name is there.
template <class List>
std::size_t index_of(const List& list, const std::string& name) {
  const auto found = std::find_if(list.begin(), list.end(), [&](const auto& entry) { return entry.name == name; });
  return static_cast<std::size_t>(found - list.begin());
}

std::vector<Scanner> used_scanners(const BenchDraft& bench, const JobDraft& job) {
  std::vector<Scanner> out;
  for (const auto& [name, scanner] : bench.scanners)
    if (std::any_of(job.uses.begin(), job.uses.end(),
                    [&](const UseDraft& use) { return bench.channels.at(*use.channel).scanner == name; }))
      out.push_back(scanner);
  return out;
}

Channel make_channel(const UseDraft& use, const Drafts& drafts, const Plan& plan) {
  const ChannelDraft& draft = drafts.bench->channels.at(*use.channel);
  Channel channel;
  channel.name = *use.channel;
  channel.scanner = index_of(plan.scanners, *draft.scanner);
  channel.address = *draft.address;
  channel.measures = *draft.measures;
  channel.role = use.role;
  channel.card = drafts.cards.at(*use.card).value;
  return channel;
}

struct ToJunction {
  const std::vector<Channel>& channels;

  Junction operator()(const JunctionName& junction) const {
    return JunctionChannel{index_of(channels, junction.channel)};
  }
  Junction operator()(const auto& as_it_is) const { return as_it_is; }
};

void add_channels(const Drafts& drafts, Plan& plan) {
  for (const Role role : {Role::reference, Role::item, Role::junction})
    for (const UseDraft& use : drafts.job->uses)
      if (use.role == role) plan.channels.push_back(make_channel(use, drafts, plan));
  for (Channel& channel : plan.channels)
    channel.junction = std::visit(ToJunction{plan.channels}, *drafts.bench->channels.at(channel.name).junction);
}

void add_plateaus(const Drafts& drafts, Plan& plan) {
  for (const PlateauDraft& draft : drafts.profile->plateaus) {
    Plateau plateau = draft.value;
    if (draft.has_source) plateau.source = index_of(plan.sources, drafts.job->sources.at(*draft.source).source);
    plan.plateaus.push_back(plateau);
  }
}

}  // namespace

Plan make_plan(const Drafts& drafts) {
  const ProfileDraft& profile = *drafts.profile;
  const BenchDraft& bench = *drafts.bench;
  Plan plan;
  plan.profile = profile.name;
  plan.bench = bench.name;
  plan.job = drafts.job->name;
  plan.customer_reference = drafts.job->customer_reference;
  plan.scanners = used_scanners(bench, *drafts.job);
  for (const auto& [name, source] : bench.sources) plan.sources.push_back(source.value);
  add_channels(drafts, plan);
  add_plateaus(drafts, plan);
  plan.sampling = profile.sampling;
  plan.guards = profile.guards;
  plan.cooldown = profile.cooldown;
  plan.survey = profile.survey;
  return plan;
}

}  // namespace nightwell::plan
