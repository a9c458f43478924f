// The sequencer's events and actions as journal records (kinds and keys: docs/journal.md).
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "sequence/events.hpp"
#include "sequence/plan.hpp"

namespace nightwell::daemon {

struct RecordText {
  std::string kind;
  nlohmann::ordered_json fields;
};

// What the opening record says besides the plan. `speed` of the run's clock, 1 = real time.
struct OpeningFacts {
  std::string run, host, boot_id;
  double speed = 1;
};

// The first records of every journal: opening, plan, cards, budget, plateau plans, and the first phase.
[[nodiscard]] std::vector<RecordText> opening_records(const sequence::Plan& plan, const OpeningFacts& facts);

// What an event adds to the journal before it is given to the sequencer. A tick has one too: the executor writes it
// only where the tick decided something. `asked` is the sweep that a SweepFinished answers; `odd` holds replies worth
// keeping, by position.
[[nodiscard]] RecordText event_record(const sequence::Plan& plan, const sequence::Event& event,
                                      const std::optional<sequence::StartSweep>& asked);

// What an action adds before it is carried out; nullopt for those whose trace is another record (a sweep is written
// when it is done).
[[nodiscard]] std::optional<RecordText> action_record(const sequence::Plan& plan, const sequence::Action& action);

// {"from_s", "to_s", "mean_c", …} of a settle window.
[[nodiscard]] nlohmann::ordered_json window_json(const sequence::WindowFacts& facts);

}  // namespace nightwell::daemon
