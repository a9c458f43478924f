// What a hook can be told of: a fixed list of words, each of which stands for a record of the journal (docs/hooks.md).
#pragma once

#include <array>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <utility>

namespace nightwell::daemon {

enum class HookEvent {
  started,        // opened
  settled,        // plateau, outcome settled
  not_settled,    // plateau, outcome not_settled
  skipped,        // plateau, outcome skipped
  waiting,        // ask
  held,           // phase held
  overdue,        // overdue
  fault,          // fault
  left_out,       // left_out
  storage,        // storage; and without a record, where the disk takes none
  parked,         // phase parked
  not_confirmed,  // park, not confirmed and not untouched, the second of its source: the first says that it begins
  closed_parked,  // closing, ending parked
  finished,       // closing, ending finished
  stopped,        // closing, ending stopped
  unclosed,       // no record: the daemon starts and finds a run that ended without closing
};

inline constexpr std::array<std::pair<std::string_view, HookEvent>, 16> hook_events{{
    {"started", HookEvent::started},
    {"settled", HookEvent::settled},
    {"not_settled", HookEvent::not_settled},
    {"skipped", HookEvent::skipped},
    {"waiting", HookEvent::waiting},
    {"held", HookEvent::held},
    {"overdue", HookEvent::overdue},
    {"fault", HookEvent::fault},
    {"left_out", HookEvent::left_out},
    {"storage", HookEvent::storage},
    {"parked", HookEvent::parked},
    {"not_confirmed", HookEvent::not_confirmed},
    {"closed_parked", HookEvent::closed_parked},
    {"finished", HookEvent::finished},
    {"stopped", HookEvent::stopped},
    {"unclosed", HookEvent::unclosed},
}};

[[nodiscard]] std::string_view name(HookEvent event);

// One run's records, one after the other: what each stands for.
class EventsOfRun {
 public:
  [[nodiscard]] std::optional<HookEvent> of(std::string_view kind, const nlohmann::ordered_json& fields);
  // Whether not_confirmed has yet to be told of this source; from now on it counts as told.
  [[nodiscard]] bool first_told(const std::string& source) { return told_.insert(source).second; }

 private:
  std::set<std::string> parking_, told_;  // sources
};

}  // namespace nightwell::daemon
