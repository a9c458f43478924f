// What each file says, as far as it is sound: the step between JSON and plan.
//
// A draft holds the plan's own types with whatever could be read; fields that other files are checked against stand
// beside them as optionals (nullopt: missing or wrong, and listed as a fault by then). Drafts become a plan only where
// no fault was found, so the half-filled values in them are never used.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "plan/object_reader.hpp"
#include "plan/program_files.hpp"
#include "sequence/plan.hpp"

namespace nightwell::plan {

class DialectFiles;
struct LoadOptions;
struct LoadedDialect;

struct PlateauDraft {
  sequence::Plateau value;  // all but `source`
  Place place, setpoint_at, source_at;
  std::optional<double> setpoint_c;
  bool has_source = false;
  std::optional<std::string> source;  // the label
};

struct ProfileDraft {
  std::string name;
  sequence::Sampling sampling;
  sequence::Guards guards;
  sequence::CooldownPlan cooldown;
  std::optional<sequence::Survey> survey;
  std::vector<PlateauDraft> plateaus;
  Place cooldown_at;
  bool cooldown_sound = false;  // its temperatures
};

struct SourceDraft {
  sequence::Source value;
  Place place;
  std::optional<double> lowest_c, highest_c;  // both, or none
};

struct JunctionName {
  std::string channel;  // not yet an index
};
using JunctionDraft =
    std::variant<sequence::JunctionNone, JunctionName, sequence::JunctionFixed, sequence::JunctionInstrument>;

struct ChannelDraft {
  Place place;
  std::optional<std::string> scanner;
  std::optional<int> address;
  std::optional<Quantity> measures;
  std::optional<JunctionDraft> junction;  // nullopt: it stands there, but is wrong
};

struct BenchDraft {
  std::string name;
  bool wire_log = false;
  std::map<std::string, const LoadedDialect*> dialects;  // by scanner, where a sound dialect describes it
  std::map<std::string, sequence::Scanner> scanners;
  std::map<std::string, SourceDraft> sources;
  std::map<std::string, ChannelDraft> channels;
  bool sources_known = false, channels_known = false;  // the lists of names are whole, whatever is in them
};

struct UseDraft {
  sequence::Role role = sequence::Role::item;
  Place place;
  std::optional<std::string> channel, card;
};

struct LabelDraft {
  std::string source;  // the bench's name
  Place place;
};

struct JobDraft {
  std::string name, customer_reference;
  std::optional<std::string> budget;  // its path
  Place budget_at;
  std::map<std::string, LabelDraft> sources;  // by the profile's label
  std::vector<UseDraft> uses;                 // references, items, junctions, each in the job's order
  bool sources_known = false, users_known = false, junctions_known = false;  // users: references and items
  std::optional<std::size_t> references;                                     // how many
  Place references_at;
};

struct CardDraft {
  sequence::SensorCard value;
  Place place;
  std::optional<thermometry::SensorModel> model;
  std::optional<std::string> serial;
  std::optional<double> lowest_c, highest_c;
  bool has_due = false, has_u95 = false, has_certificate = false;
};

// Each reads one document, adds its faults, and gives what is sound.
[[nodiscard]] ProfileDraft read_profile(const Json& document, const std::string& file, FaultList& faults);
[[nodiscard]] BenchDraft read_bench(const Json& document, const std::string& file, const std::string& directory,
                                    const LoadOptions& options, DialectFiles& dialects,
                                    const std::map<std::string, ProgramFile>& programs, FaultList& faults);
[[nodiscard]] JobDraft read_job(const Json& document, const std::string& file, FaultList& faults);
[[nodiscard]] CardDraft read_card(const Json& document, const std::string& file, FaultList& faults);

// Duration of optional seconds; zero where there is none.
[[nodiscard]] inline Duration seconds_or_zero(const std::optional<double>& s) {
  return from_seconds(s.value_or(0));
}

}  // namespace nightwell::plan
