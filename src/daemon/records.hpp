// The sequencer's events and actions as journal records (kinds and keys: docs/journal.md).
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "sequence/events.hpp"
#include "sequence/plan.hpp"

namespace nightwell::daemon {

struct RecordText {
  std::string kind;
  nlohmann::ordered_json fields;
};

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
