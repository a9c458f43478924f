#include <algorithm>
#include <set>

#include "plan/dates.hpp"
#include "plan/names.hpp"
#include "plan/nearest.hpp"
#include "plan/resolve.hpp"

namespace nightwell::plan {

namespace {

using sequence::Role;

std::string span_text(double low_c, double high_c) {
  return shortest(low_c) + " to " + shortest(high_c) + " °C";
}

bool inside(double value, double low, double high) {
  return value >= low && value <= high;
}

class Checks {
 public:
  Checks(const Drafts& drafts, const LoadOptions& options, FaultList& faults, std::vector<std::string>& accepted)
      : profile_(drafts.profile),
        bench_(drafts.bench),
        job_(drafts.job),
        cards_(drafts.cards),
        options_(options),
        faults_(faults),
        accepted_(accepted) {}

  void run() {
    check_sources();
    check_setpoints();
    check_cooldown();
    if (!job_) return;
    check_references();
    check_channels();
    check_junctions();
    check_cards();
    check_serials();
  }

 private:
  // ---- sources ----

  // The source of a plateau, where profile, bench and job name exactly one.
  const SourceDraft* source_of(const PlateauDraft& plateau) const {
    if (!bench_) return nullptr;
    if (!plateau.has_source) return bench_->sources.size() == 1 ? &bench_->sources.begin()->second : nullptr;
    if (!plateau.source || !job_) return nullptr;
    const auto label = job_->sources.find(*plateau.source);
    if (label == job_->sources.end()) return nullptr;
    const auto source = bench_->sources.find(label->second.source);
    return source == bench_->sources.end() ? nullptr : &source->second;
  }

  void check_sources() {
    if (job_ && bench_ && bench_->sources_known)
      for (const auto& [label, target] : job_->sources)
        if (!bench_->sources.contains(target.source))
          faults_.add(target.place, in_quotes(target.source), "a source of the bench: " + sources_text(),
                      meant(target.source, names(bench_->sources)));
    if (profile_)
      for (const PlateauDraft& plateau : profile_->plateaus) check_plateau_source(plateau);
  }

  void check_plateau_source(const PlateauDraft& plateau) {
    if (!plateau.has_source) {
      if (bench_ && bench_->sources_known && bench_->sources.size() != 1)
        faults_.add(plateau.source_at, "nothing", "a label that the job's \"sources\" ties to a source of the bench",
                    bench_->sources.empty() ? "the bench has no source" : "the bench has several: " + sources_text());
    } else if (plateau.source && job_ && job_->sources_known && !job_->sources.contains(*plateau.source)) {
      const std::string near = meant(*plateau.source, names(job_->sources));
      faults_.add(plateau.source_at, in_quotes(*plateau.source), "a label of the job's \"sources\"",
                  near.empty() ? "the job does not say which source of the bench that is" : near);
    }
  }

  std::string sources_text() const { return bench_->sources.empty() ? "none" : one_of(names(bench_->sources)); }

  // ---- setpoints ----

  struct Limit {
    double low_c, high_c;
    std::string whose;
  };

  // What stands in contact with the source: references and items, each within its card and its model.
  std::vector<Limit> sensor_limits() const {
    std::vector<Limit> out;
    if (!job_) return out;
    for (const UseDraft& use : job_->uses) {
      if (use.role == Role::junction || !use.card) continue;
      const auto found = cards_.find(*use.card);
      if (found == cards_.end()) continue;
      const CardDraft& card = found->second;
      const std::string name = card.serial ? in_quotes(*card.serial) : in_quotes(*use.card);
      if (card.lowest_c && card.highest_c) out.push_back({*card.lowest_c, *card.highest_c, "limits of sensor " + name});
      if (card.model) {
        const auto span = thermometry::span(*card.model);
        out.push_back({span.low_c, span.high_c, "range of the model of sensor " + name});
      }
    }
    return out;
  }

  // The profile's own guards; one that is not given allows everything.
  std::vector<Limit> guard_limits() const {
    const auto& guards = profile_->guards;
    constexpr double any = 1e9;
    return {
        {guards.reference_lowest_c.value_or(-any), guards.reference_highest_c.value_or(any), "the reference guards"},
        {guards.item_lowest_c.value_or(-any), guards.item_highest_c.value_or(any), "the item guards"}};
  }

  void hold_against(const Place& place, double t_c, const Limit& limit) {
    if (inside(t_c, limit.low_c, limit.high_c)) return;
    constexpr double open = 1e6;
    const std::string allowed = limit.high_c > open   ? "at least " + shortest(limit.low_c) + " °C"
                                : limit.low_c < -open ? "at most " + shortest(limit.high_c) + " °C"
                                                      : span_text(limit.low_c, limit.high_c);
    faults_.add(place, shortest(t_c), allowed + " (" + limit.whose + ")");
  }

  // The sensors that allow least, once for all plateaus: with hundreds of sensors, one fault an end is enough.
  std::vector<Limit> tightest(const std::vector<Limit>& limits) const {
    const Limit *lowest = nullptr, *highest = nullptr;
    for (const Limit& limit : limits) {
      if (lowest == nullptr || limit.low_c > lowest->low_c) lowest = &limit;
      if (highest == nullptr || limit.high_c < highest->high_c) highest = &limit;
    }
    if (lowest == nullptr) return {};
    if (lowest == highest) return {*lowest};
    return {*lowest, *highest};
  }

  void check_setpoints() {
    if (!profile_) return;
    auto limits = tightest(sensor_limits());
    for (Limit& guard : guard_limits()) limits.push_back(std::move(guard));
    for (const PlateauDraft& plateau : profile_->plateaus) {
      if (!plateau.setpoint_c) continue;
      if (const SourceDraft* source = source_of(plateau); source != nullptr && source->lowest_c)
        hold_against(plateau.setpoint_at, *plateau.setpoint_c,
                     {*source->lowest_c, *source->highest_c, source->value.name + "'s limits"});
      for (const Limit& limit : limits) hold_against(plateau.setpoint_at, *plateau.setpoint_c, limit);
    }
  }

  // The cooldown asks each source for the target, as near as its limits allow, and waits until it is there.
  void check_cooldown() {
    if (!profile_ || profile_->plateaus.empty()) return;
    const auto& cooldown = profile_->cooldown;
    const double low_c = cooldown.leave_between_low_c, high_c = cooldown.leave_between_high_c;
    if (!profile_->cooldown_sound || !(low_c < high_c)) return;
    std::set<const SourceDraft*> seen;
    for (const PlateauDraft& plateau : profile_->plateaus) {
      const SourceDraft* source = source_of(plateau);
      if (source == nullptr || !source->lowest_c || source->value.attended || !seen.insert(source).second) continue;
      const double nearest_c = std::clamp(cooldown.target_c, *source->lowest_c, *source->highest_c);
      if (!inside(nearest_c, low_c, high_c))
        faults_.add(profile_->cooldown_at / "leave_between_c", span_text(low_c, high_c),
                    "temperatures that " + source->value.name + " can be set to, " +
                        span_text(*source->lowest_c, *source->highest_c),
                    "it would never be safe to leave");
    }
  }

  // ---- channels ----

  void check_references() {
    if (!profile_ || profile_->survey || !job_->references || *job_->references > 0) return;
    faults_.add(job_->references_at, "an empty list", "1 or 2 references", "only a survey can do without");
  }

  const ChannelDraft* channel_of(const UseDraft& use) const {
    if (!use.channel || !bench_) return nullptr;
    const auto found = bench_->channels.find(*use.channel);
    return found == bench_->channels.end() ? nullptr : &found->second;
  }

  const CardDraft* card_of(const UseDraft& use) const {
    if (!use.card) return nullptr;
    const auto found = cards_.find(*use.card);
    return found == cards_.end() ? nullptr : &found->second;
  }

  void check_channels() {
    for (const UseDraft& use : job_->uses) {
      if (use.channel && bench_ && bench_->channels_known && !bench_->channels.contains(*use.channel))
        faults_.add(use.place / "channel", in_quotes(*use.channel), "a channel of the bench",
                    meant(*use.channel, names(bench_->channels)));
      const ChannelDraft* channel = channel_of(use);
      const CardDraft* card = card_of(use);
      if (channel != nullptr && card != nullptr && card->model) check_measures(use, *channel, *card);
    }
  }

  void check_measures(const UseDraft& use, const ChannelDraft& channel, const CardDraft& card) {
    const Quantity given = thermometry::quantity(*card.model);
    if (channel.measures && *channel.measures != given) {
      faults_.add(use.place / "card", "a sensor that gives " + std::string(name(given)),
                  "one that gives " + std::string(name(*channel.measures)),
                  "channel " + in_quotes(*use.channel) + " measures that (bench, " + channel.place.pointer + ")");
      return;
    }
    const auto* thermocouple = std::get_if<thermometry::Thermocouple>(&*card.model);
    if (thermocouple == nullptr || !channel.junction) return;
    if (std::holds_alternative<sequence::JunctionNone>(*channel.junction))
      faults_.add(channel.place / "junction", "nothing", "{\"channel\": …}, {\"fixed_c\": …} or {\"instrument\": true}",
                  "the job plugs a thermocouple into it (" + use.place.pointer + ")");
    if (const auto* fixed = std::get_if<sequence::JunctionFixed>(&*channel.junction)) {
      const double measurable_c = thermometry::span(*card.model).high_c;
      if (!thermometry::raw_value(*card.model, measurable_c, fixed->t_c))
        faults_.add(
            channel.place / "junction" / "fixed_c", shortest(fixed->t_c),
            "a temperature that type " + std::string(1, thermometry::letter(thermocouple->type)) + " is defined for");
    }
  }

  // Each junction that a used channel names is measured by a sensor of the job, and no other sensor is listed as one.
  void check_junctions() {
    if (!bench_) return;
    std::map<std::string, Place> needed;  // junction channel -> the first use that needs it
    std::set<std::string> given;
    bool all_sound = job_->users_known;  // every use's junction is known: only then can a sensor be one too many
    for (const UseDraft& use : job_->uses) {
      if (use.role == Role::junction && use.channel) given.insert(*use.channel);
      const ChannelDraft* channel = channel_of(use);
      if (use.role != Role::junction) all_sound = all_sound && channel != nullptr && channel->junction;
      const auto* junction =
          channel != nullptr && channel->junction ? std::get_if<JunctionName>(&*channel->junction) : nullptr;
      if (junction != nullptr && use.role != Role::junction) needed.emplace(junction->channel, use.place);
    }
    if (job_->junctions_known)
      for (const auto& [channel, place] : needed)
        if (bench_->channels.contains(channel) && !given.contains(channel))
          faults_.add(place / "channel", "a channel whose junction is " + in_quotes(channel),
                      "that with an entry for " + in_quotes(channel) + " in \"junctions\"",
                      "its sensor card says how to read the junction's temperature");
    if (!all_sound) return;
    for (const UseDraft& use : job_->uses)
      if (use.role == Role::junction && channel_of(use) != nullptr && !needed.contains(*use.channel))
        faults_.add(use.place / "channel", in_quotes(*use.channel),
                    "a channel that is the junction of another in this job", "none of the job's channels names it");
  }

  // ---- cards ----

  void check_cards() {
    std::set<const CardDraft*> seen;
    for (const UseDraft& use : job_->uses) {
      const CardDraft* card = card_of(use);
      if (card == nullptr || !seen.insert(card).second) continue;
      if (!card->value.calibrated.empty() && is_date(options_.today) && card->value.calibrated > options_.today)
        faults_.add(card->place / "calibrated", in_quotes(card->value.calibrated),
                    "not after today, " + options_.today);
      if (use.role == Role::reference) check_reference_card(*card);
    }
  }

  void check_reference_card(const CardDraft& card) {
    const char* why = "a reference needs it";
    if (!card.has_certificate) faults_.add(card.place / "certificate", "nothing", "the number of the certificate", why);
    if (!card.has_due) faults_.add(card.place / "due", "nothing", "a date of the calendar, \"YYYY-MM-DD\"", why);
    if (!card.has_u95) faults_.add(card.place / "u95_k", "nothing", "the expanded uncertainty (k = 2) in kelvin", why);
    if (card.value.due.empty() || card.value.due >= options_.today) return;
    if (options_.accept_overdue)
      accepted_.push_back(card.serial.value_or(""));
    else
      faults_.add(card.place / "due", in_quotes(card.value.due), "today, " + options_.today + ", or later",
                  "the reference is past its due date; to use it all the same, say so at the start "
                  "(--accept-overdue): the journal will name it");
  }

  void check_serials() {
    std::map<std::string, Place> seen;
    std::set<const CardDraft*> read;
    for (const UseDraft& use : job_->uses) {
      const CardDraft* card = card_of(use);
      if (card == nullptr || !card->serial || !read.insert(card).second) continue;
      const auto [first, fresh] = seen.emplace(*card->serial, card->place);
      if (!fresh)
        faults_.add(card->place / "serial", in_quotes(*card->serial), "a serial number of its own",
                    first->second.file + " has it too");
    }
  }

  const std::optional<ProfileDraft>& profile_;
  const std::optional<BenchDraft>& bench_;
  const std::optional<JobDraft>& job_;
  const std::map<std::string, CardDraft>& cards_;
  const LoadOptions& options_;
  FaultList& faults_;
  std::vector<std::string>& accepted_;
};

}  // namespace

void check_together(const Drafts& drafts, const LoadOptions& options, FaultList& faults,
                    std::vector<std::string>& accepted) {
  Checks(drafts, options, faults, accepted).run();
}

}  // namespace nightwell::plan
