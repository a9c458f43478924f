// The sequencer's events and actions as journal records (kinds and keys: docs/journal.md).
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/hook_queue.hpp"
#include "journal/journal.hpp"
#include "sequence/events.hpp"
#include "sequence/overdue.hpp"
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

// How late a run is.
[[nodiscard]] RecordText overdue_record(const sequence::Overdue& late);

// How the disk and the lines to the scanners have done since the last such record, which comes every `figures_every` of the run.
struct AskedAgain {
  std::string scanner;
  std::uint64_t times = 0;
};
inline constexpr Duration figures_every = std::chrono::minutes{5};
[[nodiscard]] RecordText disk_record(const journal::JournalFigures& figures,
                                     const std::vector<AskedAgain>& asked_again);

// How a hook's call ended. Of what it said, the first `hook_text_kept` bytes, shown as one line.
inline constexpr std::size_t hook_text_kept = 500;
[[nodiscard]] RecordText hook_record(const std::string& hook, const HookReport& report);
// For what no record stands for. Its line: {"utc", "kind" (the event's word), "run", "text"}, without n and prev.
[[nodiscard]] HookCall call_without_record(HookEvent event, const std::string& run, const std::string& bench,
                                           const std::string& journal, const std::string& utc, const std::string& text);
[[nodiscard]] std::string hook_said(const HookReport& report, std::size_t kept);

// {"from_s", "to_s", "mean_c", …} of a settle window.
[[nodiscard]] nlohmann::ordered_json window_json(const sequence::WindowFacts& facts);

}  // namespace nightwell::daemon
