// Profile: what to do, for any sensors and any bench.
//
// A plateau is its own object laid over plateau_defaults, key by key; settle, capture and limits are laid over one
// level deeper. Faults are told where the value stands: in the defaults, where it came from there.
#include <algorithm>

#include "plan/drafts.hpp"
#include "plan/loader.hpp"
#include "plan/ranges.hpp"

namespace nightwell::plan {

namespace {

using namespace sequence;  // NOLINT: this file is about its types only

const Words<LimitPolicy> any_policy = {{"park", LimitPolicy::park},
                                       {"stop", LimitPolicy::stop},
                                       {"skip", LimitPolicy::skip},
                                       {"capture", LimitPolicy::capture}};
// A capture that takes too long is not cured by capturing.
const Words<LimitPolicy> capture_policy = {
    {"park", LimitPolicy::park}, {"stop", LimitPolicy::stop}, {"skip", LimitPolicy::skip}};
// After the last plateau there is nothing to skip to.
const Words<LimitPolicy> cooldown_policy = {{"park", LimitPolicy::park}, {"stop", LimitPolicy::stop}};

constexpr int fewest_samples_in_window = 5;

// ---- plateaus ----

PhaseLimit read_limit(ObjectReader& limits, const std::string& phase, const Words<LimitPolicy>& policies) {
  PhaseLimit out;
  auto reader = limits.object(phase);
  if (!reader) return out;
  out.within = seconds_or_zero(reader->number("within_s", ranges::within_s));
  out.otherwise = reader->word("otherwise", policies).value_or(LimitPolicy::park);
  reader->finish();
  return out;
}

void read_settle(ObjectReader& plateau, SettleRule& settle) {
  auto reader = plateau.merged_object("settle");
  if (!reader) return;
  settle.window = seconds_or_zero(reader->number("window_s", ranges::window_s));
  settle.largest_drift_k = reader->number("largest_drift_k", ranges::difference_k).value_or(0);
  settle.largest_spread_k = reader->number("largest_spread_k", ranges::difference_k).value_or(0);
  settle.item_drift_k = reader->number_if("item_drift_k", ranges::difference_k);
  reader->finish();
}

void read_capture(ObjectReader& plateau, CapturePlan& capture) {
  static const Words<Placement> placements = {{"after", Placement::after}, {"inside", Placement::inside}};
  static const Words<ReadingOrder> orders = {{"straight", ReadingOrder::straight},
                                             {"mirrored", ReadingOrder::mirrored},
                                             {"bracketed", ReadingOrder::bracketed}};
  auto reader = plateau.merged_object("capture");
  if (!reader) return;
  capture.placement = reader->word("placement", placements).value_or(Placement::after);
  capture.order = reader->word("order", orders).value_or(ReadingOrder::mirrored);
  capture.sweeps = reader->whole("sweeps", 1, ranges::most_sweeps).value_or(0);
  capture.pause = seconds_or_zero(reader->number("pause_s", ranges::pause_s));
  reader->finish();
}

void read_limits(ObjectReader& plateau, Plateau& out) {
  auto reader = plateau.merged_object("limits");
  if (!reader) return;
  out.approach_limit = read_limit(*reader, "approach", any_policy);
  out.settle_limit = read_limit(*reader, "settle", any_policy);
  out.capture_limit = read_limit(*reader, "capture", capture_policy);
  reader->finish();
}

// All that may also stand in plateau_defaults: everything but the setpoint.
void read_plateau_keys(ObjectReader& reader, PlateauDraft& draft) {
  draft.has_source = reader.has("source");
  draft.source = reader.text_if("source", 100);
  draft.source_at = reader.place("source");
  draft.value.band_k = reader.number("band_k", ranges::band_k).value_or(0);
  read_settle(reader, draft.value.settle);
  read_capture(reader, draft.value.capture);
  read_limits(reader, draft.value);
}

// Where a key inside settle, capture or limits stands, for faults between keys.
Place inner_place(ObjectReader& plateau, const char* object, const char* key) {
  const auto inside = plateau.merged_object(object);
  return inside ? inside->place(key) : plateau.place(object);
}

// What only holds between keys. Zero stands for a number that was not sound: nothing is said about it again.
void check_window(ObjectReader& reader, const Plateau& plateau, Duration every) {
  const Duration window = plateau.settle.window;
  if (window == Duration::zero()) return;
  const std::string window_text = shortest(to_seconds(window)) + " s";
  const Place window_at = inner_place(reader, "settle", "window_s");
  if (every > Duration::zero() && window < fewest_samples_in_window * every)
    reader.faults().add(window_at, shortest(to_seconds(window)),
                        "at least " + shortest(to_seconds(fewest_samples_in_window * every)) + " s",
                        "a window needs " + std::to_string(fewest_samples_in_window) + " readings, one every " +
                            shortest(to_seconds(every)) + " s (sampling)");
  const Duration limit = plateau.settle_limit.within;
  if (limit > Duration::zero() && limit < window)
    reader.faults().add(inner_place(reader, "limits", "settle") / "within_s", shortest(to_seconds(limit)),
                        "at least the settle window, " + window_text, "the window could never fill");
  const CapturePlan& capture = plateau.capture;
  const Duration pauses = capture.sweeps > 0 ? (capture.sweeps - 1) * capture.pause : Duration::zero();
  if (capture.placement == Placement::inside && pauses > window)
    reader.faults().add(inner_place(reader, "capture", "sweeps"), std::to_string(capture.sweeps),
                        "sweeps that fit inside the window of " + window_text,
                        "the pauses between them alone take " + shortest(to_seconds(pauses)) + " s");
  const Duration capture_limit = plateau.capture_limit.within;
  if (capture.placement == Placement::after && capture_limit > Duration::zero() && pauses > capture_limit)
    reader.faults().add(inner_place(reader, "capture", "sweeps"), std::to_string(capture.sweeps),
                        "sweeps that fit into the capture's limit of " + shortest(to_seconds(capture_limit)) + " s",
                        "the pauses between them alone take " + shortest(to_seconds(pauses)) + " s");
}

// Nothing is read in the pause between two sweeps of a capture or of a window that needs the items: a pause longer than
// the guard's patience parks the run for certain.
void check_pause(ObjectReader& reader, const Plateau& plateau, Duration stale) {
  const CapturePlan& capture = plateau.capture;
  const bool pauses = capture.sweeps > 1 || capture.placement == Placement::inside || plateau.settle.item_drift_k;
  if (!pauses || stale == Duration::zero() || capture.pause < stale) return;
  reader.faults().add(inner_place(reader, "capture", "pause_s"), shortest(to_seconds(capture.pause)),
                      "less than guards/stale_s, " + shortest(to_seconds(stale)) + " s",
                      "without a reading of the reference for so long, the guard parks the run");
}

PlateauDraft read_plateau(const ObjectReader::Element& element, const std::optional<ObjectReader>& defaults,
                          const ProfileDraft& profile, FaultList& faults) {
  PlateauDraft draft;
  draft.place = element.place;
  ObjectReader reader(element.value, element.place, faults);
  draft.setpoint_at = reader.place("setpoint_c");
  draft.setpoint_c = reader.number("setpoint_c", ranges::temperature_c);
  draft.value.setpoint_c = draft.setpoint_c.value_or(0);
  if (defaults) reader.fall_back_on(*defaults);
  read_plateau_keys(reader, draft);
  reader.finish();
  if (!reader.is_object()) return draft;
  check_window(reader, draft.value, profile.sampling.every);
  check_pause(reader, draft.value, profile.guards.stale);
  return draft;
}

// Reads the defaults once for themselves, so that what is wrong there is told once, whoever uses it.
std::optional<ObjectReader> read_defaults(ObjectReader& profile) {
  auto defaults = profile.object_if("plateau_defaults");
  if (!defaults) return std::nullopt;
  ObjectReader reader = *defaults;
  reader.let_keys_be_absent();
  PlateauDraft unused;
  reader.unused("setpoint_c", "each plateau says its own setpoint");
  read_plateau_keys(reader, unused);
  reader.finish();
  return defaults;
}

void read_plateaus(ObjectReader& profile, ProfileDraft& draft, FaultList& faults) {
  const auto defaults = read_defaults(profile);
  const auto plateaus = profile.list("plateaus", 1, most_plateaus);
  if (!plateaus) return;
  for (const auto& element : *plateaus) draft.plateaus.push_back(read_plateau(element, defaults, draft, faults));
}

// ---- the rest ----

void read_sampling(ObjectReader& reader, Sampling& sampling) {
  sampling.every = seconds_or_zero(reader.number("every_s", ranges::sampling_s));
  sampling.items_every = seconds_or_zero(reader.number("items_every_s", ranges::items_every_s));
  reader.finish();
  const bool sound = sampling.every > Duration::zero() && sampling.items_every > Duration::zero();
  if (sound && sampling.items_every < sampling.every)
    reader.refuse("items_every_s", "at least every_s, " + shortest(to_seconds(sampling.every)) + " s");
}

void check_span(ObjectReader& reader, const std::optional<double>& low_c, const std::optional<double>& high_c,
                const std::string& low_key, const std::string& high_key) {
  if (low_c && high_c && !(*low_c < *high_c))
    reader.refuse(high_key, "above " + low_key + ", " + shortest(*low_c) + " °C");
}

void read_guards(ObjectReader& reader, Duration every, Guards& guards) {
  guards.reference_lowest_c = reader.number_if("reference_lowest_c", ranges::temperature_c);
  guards.reference_highest_c = reader.number_if("reference_highest_c", ranges::temperature_c);
  guards.item_lowest_c = reader.number_if("item_lowest_c", ranges::temperature_c);
  guards.item_highest_c = reader.number_if("item_highest_c", ranges::temperature_c);
  check_span(reader, guards.reference_lowest_c, guards.reference_highest_c, "reference_lowest_c",
             "reference_highest_c");
  check_span(reader, guards.item_lowest_c, guards.item_highest_c, "item_lowest_c", "item_highest_c");
  guards.stale = seconds_or_zero(reader.number("stale_s", ranges::stale_s));
  if (guards.stale > Duration::zero() && guards.stale < 2 * every)
    reader.refuse("stale_s", "at least twice every_s, " + shortest(to_seconds(2 * every)) + " s",
                  "one missed reading must not park the run");
  if (auto heating = reader.object("heating")) {
    guards.heating_window = seconds_or_zero(heating->number("window_s", ranges::window_s));
    guards.heating_gain_k = heating->number("gain_k", ranges::difference_k).value_or(0);
    heating->finish();
  }
  reader.finish();
}

// True where its temperatures are sound.
bool read_cooldown(ObjectReader& profile, CooldownPlan& cooldown) {
  auto reader = profile.object("cooldown");
  if (!reader) return false;
  const auto target_c = reader->number("target_c", ranges::temperature_c);
  const auto between_c = reader->numbers("leave_between_c", 2, 2, ranges::temperature_c);
  cooldown.target_c = target_c.value_or(0);
  cooldown.limit.within = seconds_or_zero(reader->number("within_s", ranges::within_s));
  cooldown.limit.otherwise = reader->word("otherwise", cooldown_policy).value_or(LimitPolicy::park);
  reader->finish();
  if (!between_c) return false;
  cooldown.leave_between_low_c = between_c->front();
  cooldown.leave_between_high_c = between_c->back();
  if (!(between_c->front() < between_c->back()))
    reader->faults().add(reader->place("leave_between_c") / 1, shortest(between_c->back()),
                         "above the first, " + shortest(between_c->front()) + " °C");
  else if (target_c && (*target_c < between_c->front() || *target_c > between_c->back()))
    reader->refuse(
        "target_c",
        "within leave_between_c, " + shortest(between_c->front()) + " to " + shortest(between_c->back()) + " °C",
        "otherwise it would never be safe to leave");
  return target_c && *target_c >= between_c->front() && *target_c <= between_c->back();
}

Survey read_survey(ObjectReader& reader) {
  Survey survey;
  survey.every = seconds_or_zero(reader.number("every_s", {1, ranges::one_hour_s, "s"}));
  survey.lasts = seconds_or_zero(reader.number("lasts_s", {1, ranges::one_day_s, "s"}));
  survey.expected_c = reader.number("expected_c", ranges::temperature_c).value_or(0);
  survey.outlier_k = reader.number("outlier_k", ranges::difference_k).value_or(0);
  reader.finish();
  const bool sound = survey.every > Duration::zero() && survey.lasts > Duration::zero();
  if (sound && survey.lasts < survey.every)
    reader.refuse("lasts_s", "at least every_s, " + shortest(to_seconds(survey.every)) + " s");
  return survey;
}

// A survey looks and heats nothing: what steers heat has no place in it.
void refuse_heating_keys(ObjectReader& reader) {
  for (const char* key : {"plateaus", "plateau_defaults", "cooldown"})
    reader.unused(key, "a profile has either a survey or plateaus");
}

// The shortest that the plateaus can take: windows and pauses, with no way to go.
void check_length(const ProfileDraft& draft, const Place& plateaus, FaultList& faults) {
  Duration shortest_time{0};
  for (const PlateauDraft& plateau : draft.plateaus) {
    const CapturePlan& capture = plateau.value.capture;
    shortest_time += plateau.value.settle.window;
    if (capture.placement == Placement::after) shortest_time += std::max(capture.sweeps - 1, 0) * capture.pause;
  }
  if (to_seconds(shortest_time) <= ranges::one_week_s) return;
  faults.add(plateaus, "settle windows and pauses of " + shortest(to_seconds(shortest_time)) + " s in all",
             "at most " + shortest(ranges::one_week_s) + " s", "a run may last seven days");
}

}  // namespace

ProfileDraft read_profile(const Json& document, const std::string& file, FaultList& faults) {
  ProfileDraft draft;
  ObjectReader reader(document, {file, ""}, faults);
  (void)reader.has("format");  // judged before
  draft.name = reader.text("profile", 100).value_or("");
  const bool survey = reader.has("survey");
  if (auto sampling = survey ? reader.object_if("sampling") : reader.object("sampling"))
    read_sampling(*sampling, draft.sampling);
  if (auto guards = survey ? reader.object_if("guards") : reader.object("guards"))
    read_guards(*guards, draft.sampling.every, draft.guards);
  draft.cooldown_at = reader.place("cooldown");
  if (survey) {
    if (auto inside = reader.object("survey")) draft.survey = read_survey(*inside);
    refuse_heating_keys(reader);
  } else {
    draft.cooldown_sound = read_cooldown(reader, draft.cooldown);
    read_plateaus(reader, draft, faults);
    check_length(draft, reader.place("plateaus"), faults);
  }
  reader.finish();
  return draft;
}

}  // namespace nightwell::plan
