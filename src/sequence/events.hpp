// What may happen to a run, and what a run may ask for: the sequencer's two alphabets.
//
// Events carry their time; the sequencer never asks what time it is. Actions are data; the executor carries
// them out in the order given, records before effects.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/result.hpp"
#include "sequence/settle.hpp"

namespace nightwell::sequence {

// ---- events
// ---------------------------------------------------------------------------------------------------

struct ReadingFault {
  Errc code = Errc::unexpected;
  std::string text;
};

// One visit of a channel: a raw value, or the reason why there is none.
struct ChannelReading {
  std::size_t channel = 0;
  Instant at;
  std::optional<double> raw;  // volt, ohm, ampere or °C
  std::optional<ReadingFault> fault;
  std::string odd_text;  // the instrument's own words where they were unusual; decides nothing
};

enum class SweepPurpose { preflight, watch, window, capture, survey };

// All instruments of the bench answered with the identity asked for; every guardian is ready.
struct Opened {};
// A sweep that was asked for is done; readings in the order of the visits.
struct SweepFinished {
  std::uint64_t sweep = 0;
  Instant started;
  std::vector<ChannelReading> readings;
};
// The guardian read a source back.
struct SourceRead {
  std::size_t source = 0;
  double target_c = 0, temperature_c = 0;
  bool output = false;
  double lease_left_s = 0;
};
// The guardian parked a source by itself or by request, or cannot (confirmed = false).
struct SourceParked {
  std::size_t source = 0;
  bool confirmed = false;
  std::string cause, text;
  bool untouched = false;  // its guardian never got as far as telling it anything: nothing to take back
};
enum class Request { hold, resume, skip, stop, park, ready };
struct PersonAsked {
  Request request = Request::hold;
  std::string who, why;
};
// Something that no policy covers: an instrument could not be opened, storage failed, a guardian died.
struct Failed {
  std::string cause;
};
struct Tick {};

struct Event {
  Instant at;
  std::variant<Opened, SweepFinished, SourceRead, SourceParked, PersonAsked, Failed, Tick> what;
};

// ---- actions
// --------------------------------------------------------------------------------------------------

enum class Phase { opening, preflight, approach, settle, capture, cooldown, held, waiting, parked, finished, stopped };

enum class Outcome { settled, not_settled, skipped };
enum class Ending { finished, stopped, parked };

struct PhaseChanged {
  Phase phase = Phase::opening;
  std::optional<std::size_t> plateau;
  std::optional<double> setpoint_c;
  std::string why;
};
struct PlateauClosed {
  std::size_t plateau = 0;
  double setpoint_c = 0;
  Outcome outcome = Outcome::skipped;
  std::optional<std::uint64_t> first_sweep, last_sweep;  // inclusive
  std::optional<WindowFacts> window;                     // what the rule saw when it decided
  std::string why;
  Instant at;
};
struct GuardCrossed {
  std::string guard, text;
};
struct LeftOut {
  std::size_t channel = 0;
  std::string why;
};
struct Note {
  std::string text;
};
struct SurveyFinding {
  std::size_t channel = 0;
  std::string finding;  // open, wrong_type, outlier
  std::string text;
};
struct SurveyDone {
  std::vector<SurveyFinding> findings;
};
// Tell a source, through its guardian: setpoint and output. Renewed as a heat lease until the next command.
struct Command {
  std::size_t source = 0;
  double target_c = 0;
  bool output = false;
  std::string why;
};
struct StartSweep {
  std::uint64_t sweep = 0;
  SweepPurpose purpose = SweepPurpose::watch;
  std::string order;  // a name of reading_order.hpp
  std::optional<std::size_t> plateau;
  std::vector<std::size_t> visits;
};
struct AskPerson {
  std::size_t source = 0;
  std::optional<double> setpoint_c;
  std::string text;
};
// Bring every heat source of the bench to its safe state.
struct ParkAll {
  std::string cause;
};
// The run is over: close the journal.
struct Close {
  Ending ending = Ending::finished;
  std::string why;
};

using Action = std::variant<PhaseChanged, PlateauClosed, GuardCrossed, LeftOut, Note, SurveyDone, Command, StartSweep,
                            AskPerson, ParkAll, Close>;

[[nodiscard]] std::string_view name(Phase phase);
[[nodiscard]] std::string_view name(Outcome outcome);
[[nodiscard]] std::string_view name(Ending ending);
[[nodiscard]] std::string_view name(SweepPurpose purpose);
[[nodiscard]] std::string_view name(Request request);
[[nodiscard]] std::optional<Request> request(std::string_view word);

}  // namespace nightwell::sequence
