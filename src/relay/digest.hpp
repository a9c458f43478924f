// What a supervisor wants to know of a run, gathered from its journal record by record.
//
// Pure: a value that is fed every record of one journal in order, from the first one on; no clock, no files. Its size is
// bounded whatever the journal holds (the constants below). Tolerant: a field that is missing or of another type is left
// out, and a kind it does not know counts as a record and nothing more. Texts are as the journal has them: whoever shows
// them makes them harmless (journal/plain_text.hpp), but for `events`, whose texts are safe to show.
//
// Units: temperatures t90 in °C, differences in kelvin, times in seconds of the run; `utc` is a record's label. The
// reference is worked out from raw readings by the models of the sensor cards, as results do (results/sweep.hpp).
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "journal/reader.hpp"
#include "journal/record_words.hpp"
#include "results/series.hpp"
#include "results/sweep.hpp"

namespace nightwell::relay {

inline constexpr std::size_t most_course_points = 600;  // of the reference's course
inline constexpr std::size_t most_setpoints = 600;      // changes of the setpoint
inline constexpr std::size_t most_events = 12;
inline constexpr std::size_t most_plateaus = 500;
inline constexpr std::size_t most_sources = 32;
inline constexpr std::size_t most_codes = 24;  // kinds of faults; further ones count as "other"
inline constexpr std::size_t most_left_out = 100;
inline constexpr std::size_t longest_event = 300;  // characters
inline constexpr double rate_over_s = 60;

struct Moment {
  std::string utc;
  double up_s = 0;
};

struct PlateauDigest {
  double setpoint_c = 0;
  std::string source;
  std::string outcome;  // settled, not_settled, skipped; empty until it closes
  std::string why;
  std::optional<double> mean_c, drift_k, spread_k;  // of the window that the settle rule saw
  std::optional<Moment> closed;
};

struct ParkDigest {
  bool confirmed = false;
  bool untouched = false;
  std::string cause, text;
  Moment at;
};

struct SourceDigest {
  std::string name;
  bool attended = false;  // set by a person: nobody but a person can say that it is off
  std::optional<double> target_c, temperature_c;
  std::optional<bool> output;
  std::optional<Moment> read;      // the newest read-back
  std::optional<ParkDigest> park;  // the newest word of it
};

struct QuestionDigest {
  std::string text, source;
  Moment at;
};

struct EventDigest {
  Moment at;
  std::string kind, text;
};

// From `at_s` on the run wants this setpoint; nothing: none.
struct SetpointChange {
  double at_s = 0;
  std::optional<double> setpoint_c;
};

// How the journal's own disk does, where the journal tells (records `disk`): all of them together.
struct DiskDigest {
  std::uint64_t syncs = 0;
  double waited_s = 0;  // by all of them
  double largest_s = 0;
  std::optional<double> copy_behind_bytes;  // of the second copy, by the newest record; nothing: there is none
};

struct Digest {
  std::string run, profile, bench, job, host;
  double speed = 1;  // of the run's clock; 1 is real time
  std::optional<Moment> opened, newest;
  std::uint64_t records = 0;

  std::string phase;  // of docs/journal.md; empty before the first
  std::string phase_why;
  std::optional<Moment> phase_since;
  std::optional<std::size_t> plateau;  // index of the one it is at
  std::optional<double> setpoint_c;
  std::vector<PlateauDigest> plateaus;

  std::optional<double> reference_c;  // the newest that there is
  std::optional<Moment> reference_at;
  bool reference_lost = false;         // a newer reading has no value
  std::vector<results::Point> course;  // thinned, no extreme lost
  std::vector<SetpointChange> setpoints;

  bool knows_sources = false;  // by its plan; `sources` has all of them from then on
  std::vector<SourceDigest> sources;
  std::string overdue;                    // why this phase takes longer than it should; empty while it does not
  std::vector<QuestionDigest> questions;  // put to a person and not answered, one a source; of a parked run they stay
  std::vector<std::string> left_out;      // names of channels
  std::optional<std::size_t> survey_findings;
  std::deque<EventDigest> events;  // oldest first

  std::uint64_t readings = 0;  // tried, with or without a value
  double readings_per_s = 0;   // over the last minute of the run up to its newest record
  std::uint64_t sweeps = 0;
  std::map<std::string, std::uint64_t, std::less<>> reading_faults;  // by code
  std::map<std::string, std::uint64_t, std::less<>> source_faults;   // by code
  std::uint64_t odd_replies = 0;  // readings answered unusually: asked twice, stray line ends
  // Questions that scanners were asked again, by scanner: the reply was late, missing or garbled.
  std::map<std::string, std::uint64_t, std::less<>> asked_again;
  std::map<std::string, std::uint64_t, std::less<>> hooks;  // that were told something, by outcome
  std::uint64_t guards = 0, failures = 0;
  std::map<std::string, std::uint64_t, std::less<>> storage_events;  // by event
  std::optional<DiskDigest> disk;

  bool closed = false;  // a closing record
  std::string ending;   // finished, stopped, parked
  std::string ending_why;
  std::string seal_algorithm;  // "" until there is a seal; "none": nobody signed

  // Parked, now or at its end.
  [[nodiscard]] bool parked() const { return phase == "parked" || ending == "parked"; }
  // Of a parked run: every source has answered that it is safe, or was never told anything, and no person was asked to switch one off.
  // A source that has said nothing counts against it.
  [[nodiscard]] bool park_confirmed() const;
  // Questions that a person can answer now: a held run asks again when it goes on, a closed one takes no answer.
  [[nodiscard]] std::size_t open_questions() const { return closed || phase == "held" ? 0 : questions.size(); }
  // One of them was never reached: nobody has seen what it does.
  [[nodiscard]] bool park_unseen() const;
  [[nodiscard]] std::size_t count(std::string_view outcome) const;
  [[nodiscard]] std::uint64_t all_reading_faults() const;
  [[nodiscard]] std::uint64_t all_source_faults() const;
};

class Digester {
 public:
  Digester() = default;
  Digester(const Digester&) = delete;  // its converter looks at its own channels
  Digester& operator=(const Digester&) = delete;

  void take(const journal::Record& record);
  void take(const journal::SweepRecord& record);
  [[nodiscard]] const Digest& digest() const { return out_; }

 private:
  using Json = nlohmann::ordered_json;

  void arrive(std::uint64_t n, std::string_view utc, Instant up);
  void take_opening(const journal::Record& record);
  void take_card(const journal::Record& record);
  void take_plan(const Json& body);
  void take_plateau_plan(const Json& body);
  void take_phase(const Json& body);
  void take_command(const Json& body);
  void take_source(const Json& body);
  void take_plateau(const Json& body);
  void take_park(const Json& body);
  void take_ask(const Json& body);
  void take_disk(const Json& body);
  void take_sweep(const journal::SweepRecord& record);
  void take_reference(const journal::SweepRecord& record);
  void take_event(const journal::Record& record);
  void count_rate(double up_s, std::uint64_t readings);
  SourceDigest* source(const std::string& name);

  struct Read {
    double up_s = 0;
    std::uint64_t readings = 0;
  };

  Digest out_;
  Moment now_;
  journal::RecordWords words_;
  std::vector<results::Channel> channels_;
  std::size_t cards_ = 0;
  results::Orders orders_;
  std::optional<results::SweepConverter> converter_;
  std::deque<Read> last_minute_;
  std::uint64_t last_minute_readings_ = 0;
};

}  // namespace nightwell::relay
