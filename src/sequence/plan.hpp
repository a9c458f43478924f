// The plan as a value: profile, bench and job, checked together and resolved. Everything the sequencer, the
// executor and the guardian need to know about a run; nothing here is looked up again during the night.
//
// Indices: `Plan::channels`, `sources` and `scanners` are the namespaces; every index below points into one
// of them and is valid in a plan that the loader returned. Temperatures are t90 in °C, differences in kelvin.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/driver_program.hpp"
#include "nightwell/port.hpp"
#include "nightwell/quantity.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "nightwell/time.hpp"
#include "thermometry/tolerance.hpp"

namespace nightwell::sequence {

// ---- bench: ports and instruments
// -----------------------------------------------------------------------------

// A dialect file as the plan froze it; `file` empty: the driver needs none.
struct DialectFile {
  std::string file;  // as the bench names it
  std::string json;  // the whole file as compact JSON in ASCII
};

struct Scanner {
  std::string name;
  std::string driver;  // a name that the driver registry knows: "scpi-scanner", "dialect", "program"
  DialectFile dialect;
  DriverProgram program;  // driver "program" only
  Port port;
  Duration reply{};       // deadline of a reply, real time
  std::string identity;   // what the identity must contain; empty: any
  bool wire_log = false;  // every byte on its line is written down
};

enum class SourceKind { dry_well, bath, furnace };

struct Source {
  std::string name;
  SourceKind kind = SourceKind::bath;
  bool attended = false;  // no wire reaches it: a person turns its knob
  std::string driver;     // empty if attended
  DialectFile dialect;
  DriverProgram program;
  Port port;  // unused if attended
  Duration reply{};
  std::string identity;
  bool wire_log = false;
  double lowest_c = 0, highest_c = 0;  // setpoints allowed on this bench
  double safe_c = 20;                  // where a park sends the setpoint after the output is off
  double absolute_highest_c = 0;       // guard: the source's own reading above this parks it
  Duration lease{};                    // a heat lease lasts this long unless renewed
  Duration poll{};                     // the guardian reads the source back this often
  Duration stale{};                    // guard: no good read-back for this long parks it
  Duration heating_window{};           // guard: output on and below target, the source must gain
  double heating_gain_k = 2;           //        at least this within heating_window
  double readback_tolerance_k = 0.01;  // a setpoint read back further off than this is a mismatch
};

// ---- bench + job: channels and what is plugged into each
// --------------------------------------------------------

struct JunctionNone {};  // not a thermocouple
struct JunctionChannel {
  std::size_t channel = 0;
};  // measured by another channel
struct JunctionFixed {
  double t_c = 0;
};                             // an ice bath, say
struct JunctionInstrument {};  // the instrument refers the emf to 0 °C itself
using Junction = std::variant<JunctionNone, JunctionChannel, JunctionFixed, JunctionInstrument>;

enum class Role { reference, item, junction };

struct SensorCard {
  std::string file;  // as named by the job, for messages
  std::string serial;
  std::string type;  // for people: "type T", "Pt100", "SPRT 25.5 ohm"
  thermometry::SensorModel model;
  double lowest_c = 0, highest_c = 0;               // where this sensor may be used
  std::string certificate;                          // number or text; may be empty for items
  std::string calibrated, due;                      // ISO dates; due is required for references
  std::optional<double> u95_k;                      // expanded uncertainty (95.45 %, k = 2) from the certificate
  std::optional<thermometry::Tolerance> tolerance;  // what an item is judged by
};

struct Channel {
  std::string name;  // unique on the bench
  std::size_t scanner = 0;
  int address = 0;  // the scanner's own channel number: 101
  Quantity measures = Quantity::resistance;
  Junction junction;
  Role role = Role::item;
  SensorCard card;
};

// ---- profile: what to do
// ----------------------------------------------------------------------------------------

// Steady means, over a full window of monotonic time with every reference reading in the band:
//   |slope of the least-squares line| x window <= largest_drift_k   and   maximum - minimum <=
//   largest_spread_k
// and, where item_drift_k is given, for each item read in the window
//   |slope of (item - reference)| x window <= item_drift_k.
struct SettleRule {
  Duration window{};
  double largest_drift_k = 0;
  double largest_spread_k = 0;
  std::optional<double> item_drift_k;
};

enum class Placement { after, inside };
enum class ReadingOrder { straight, mirrored, bracketed };

struct CapturePlan {
  Placement placement = Placement::after;
  ReadingOrder order = ReadingOrder::mirrored;
  int sweeps = 5;
  Duration pause{};
};

enum class LimitPolicy { park, stop, skip, capture };

struct PhaseLimit {
  Duration within{};
  LimitPolicy otherwise = LimitPolicy::park;
};

struct Plateau {
  double setpoint_c = 0;
  std::size_t source = 0;
  double band_k = 0.5;  // |reference - setpoint| <= band_k
  SettleRule settle;
  CapturePlan capture;
  PhaseLimit approach_limit, settle_limit, capture_limit;
};

struct Sampling {
  Duration every{};        // references, while approaching and settling
  Duration items_every{};  // all channels, while no rule needs them: the look at every item for the guards
};

struct Guards {
  std::optional<double> reference_lowest_c, reference_highest_c;  // besides each card's own limits
  std::optional<double> item_lowest_c, item_highest_c;
  Duration stale{};             // no good reference reading for this long parks
  Duration heating_window{};    // reference must move towards a target that is more than band away
  double heating_gain_k = 1.0;  // by at least this within heating_window
};

struct CooldownPlan {
  double target_c = 20;
  double leave_between_low_c = 5,
         leave_between_high_c = 40;  // safe to leave: the source's reading lies between
  PhaseLimit limit;                  // otherwise: park or stop
};

// A survey has no plateaus and no source: read every channel every so often for a time.
struct Survey {
  Duration every{};
  Duration lasts{};
  double expected_c = 23;  // room
  double outlier_k = 2;    // further than this from the median of all is named
};

struct Plan {
  std::string profile, bench, job, customer_reference;
  std::vector<Scanner> scanners;
  std::vector<Source> sources;
  std::vector<Channel> channels;  // references first, then items, then junction channels
  std::vector<Plateau> plateaus;  // empty for a survey
  Sampling sampling;
  Guards guards;
  CooldownPlan cooldown;
  std::optional<Survey> survey;
  std::vector<std::string> accepted_overdue;  // serials of references used past their due date, by request
  std::string budget;                        // the lab's uncertainty budget as JSON, for the journal alone; empty: none
  std::map<std::string, std::string> files;  // file name -> lower-case hex SHA-256 of its bytes
};

[[nodiscard]] std::vector<std::size_t> channels_with(const Plan& plan, Role role);

// The words of the input files and of the journal: the enumerators' own names.
[[nodiscard]] std::string_view name(SourceKind kind);
[[nodiscard]] std::string_view name(Role role);
[[nodiscard]] std::string_view name(Placement placement);
[[nodiscard]] std::string_view name(LimitPolicy policy);

}  // namespace nightwell::sequence
