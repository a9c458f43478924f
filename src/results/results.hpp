// What a run found, worked out again from the raw readings in its journal.
//
// Every reading is converted with the model of its sensor card; temperatures that the journal carries beside the raw
// values are not looked at. Units: temperatures t90 in °C, differences in kelvin, times in seconds of the run, raw
// values in volt, ohm, ampere or °C. docs/results.md says in full how each number is worked out.
// Errors: of reading the file, those of journal/reader.hpp; damaged (a record lacks what docs/journal.md says it has;
// detail names its n); bad_input (the file is a whole journal, but of another format or without an opening record).
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <variant>
#include <vector>

#include "journal/reader.hpp"
#include "nightwell/quantity.hpp"
#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "thermometry/tolerance.hpp"
#include "uncertainty/lab_budget.hpp"

namespace nightwell::results {

enum class Role { reference, item, junction };
// "reference", "item", "junction".
[[nodiscard]] std::string_view name(Role role);

// Where a thermocouple's reference junction temperature comes from; `at_zero` where the instrument refers the emf to
// 0 °C itself.
struct NoJunction {};
struct JunctionChannel {
  std::size_t channel = 0;
};
struct JunctionFixed {
  double t_c = 0;
};
struct JunctionAtZero {};
using Junction = std::variant<NoJunction, JunctionChannel, JunctionFixed, JunctionAtZero>;

struct Channel {
  std::string name;
  Role role = Role::item;
  Quantity measures = Quantity::resistance;
  Junction junction;
  std::string scanner;
  std::string serial, type, certificate, calibrated, due;
  std::optional<double> u95_k;  // of the certificate, k = 2
  double lowest_c = 0, highest_c = 0;
  thermometry::SensorModel model;
  std::optional<thermometry::Tolerance> tolerance;
  std::optional<std::string> left_out;  // why the run no longer waited for it
};

// Readings without a usable value, by reason: a code of the journal, or why the conversion failed.
struct FaultCount {
  std::string code;
  std::size_t count = 0;
};

// A channel's readings at a plateau. Statistics are over the n readings that gave a temperature.
struct Readings {
  std::size_t channel = 0;
  std::size_t n = 0;
  std::optional<double> raw_mean;
  std::optional<double> mean_c;
  std::optional<double> sd_k;        // sample standard deviation (n - 1); from 2 readings on
  std::optional<double> drift_k;     // slope of the least-squares line x time from first to last reading
  std::size_t junction_outside = 0;  // converted with the nearest junction reading, not with one before and one after
  std::vector<FaultCount> faults;
};

// The reference at a plateau: the mean of its references, where there are two.
struct Reference {
  std::vector<Readings> each;
  std::vector<std::size_t> missing;    // references without a single temperature: nothing below is worked out
  std::size_t n = 0;                   // readings of all
  std::optional<double> mean_c;        // mean of the references' means
  std::optional<double> sd_k;          // within the references, pooled
  std::optional<double> drift_k;       // mean of the references' drifts
  std::optional<double> difference_k;  // first minus second, where there are two
};

// Where an input enters an item's error: as kelvin of it, as a channel's raw value, or as kelvin of a thermocouple's junction.
enum class Enters { error, raw, junction };
struct Entry {
  Enters where = Enters::error;
  std::size_t channel = 0;  // whose raw value, or whose junction
  double each = 1;          // what moves there a unit of the input: K, V, ohm or A
};

// Which calibration an error comes from: with the same one in another run it is the same error.
struct CertificateOf {
  std::string serial;      // of the sensor
  std::string number;      // of the certificate; one of this and `calibrated` may be empty
  std::string calibrated;  // date
  friend bool operator==(const CertificateOf&, const CertificateOf&) = default;
};

// An input quantity of a budget: half-width of its limits, or standard uncertainty of a normal one, in `unit`. Inputs are
// independent of each other: what several channels share is one input with several entries.
struct BudgetLine {
  std::string name;
  std::string unit;  // "K", "V", "ohm", "A"; "1" for a fraction of the reading
  uncertainty::Shape shape = uncertainty::Shape::normal;
  double amount = 0;
  std::optional<double> degrees_of_freedom;  // nothing: infinite
  double sensitivity = 0;                    // kelvin of the error a unit of it, through all its entries
  std::vector<Entry> entries;
  std::string source;
  double contribution_k = 0;                      // |sensitivity| x standard uncertainty
  std::optional<CertificateOf> certificate = {};  // of a certificate's line, where the card names one
};

struct ItemBudget {
  std::vector<BudgetLine> lines;
  std::vector<std::string> gaps;  // what it should contain and nobody has stated: with gaps it is too small
  double coverage = 0;            // probability
  std::optional<double> standard_k, degrees_of_freedom, factor, expanded_k;  // no degrees of freedom: infinite
};

using Answer = uncertainty::Verdict;  // within, outside, not_decided

// What the decision rule says of an item at a plateau. `limit_k` is that at the setpoint.
struct Verdict {
  Answer answer = Answer::not_decided;
  std::string tolerance;              // "IEC 60584-1 class 1, type T"
  std::optional<double> limit_k;      // nothing: the tolerance holds nowhere near
  std::optional<double> conformance;  // probability that the true error is within the limit
  std::string why;                    // why it is not decided; empty where the numbers alone say so
};

struct Item {
  Readings readings;
  // Of the differences item - reference at the moment of each item reading. Nothing without a reference.
  std::optional<double> error_k;           // their mean
  std::optional<double> error_sd_k;        // their sample standard deviation
  std::optional<double> standard_error_k;  // error_sd_k / sqrt(n)
  std::size_t reference_outside = 0;       // compared with a reference's nearest reading: none before, or none after
  std::optional<ItemBudget> budget;        // nothing where the run has no budget, or no error
  std::optional<Verdict> verdict;          // nothing where the card has no tolerance, or there is no budget
};

// From which side the items came to a plateau's setpoint: up is from below (hysteresis.hpp).
enum class Direction { up, down, unknown };
// "up", "down", "".
[[nodiscard]] std::string_view name(Direction direction);

struct Plateau {
  std::size_t index = 0;
  double setpoint_c = 0;
  std::string source;
  double band_k = 0;  // how near the setpoint the reference had to be
  Direction direction = Direction::unknown;
  std::string outcome;  // settled, not_settled, skipped
  std::string why;
  std::optional<std::uint64_t> first_sweep, last_sweep;
  std::size_t sweeps = 0;              // whole sweeps that the numbers rest on
  std::optional<double> from_s, to_s;  // first and last reading
  Reference reference;
  std::vector<Item> items;
  std::vector<Readings> junctions;
};

// The errors of one item at a setpoint that one source came to more than once (hysteresis.hpp).
struct Visits {
  std::size_t n = 0;             // plateaus with an error
  std::optional<double> mean_k;  // of their errors
};
struct Revisited {
  std::size_t channel = 0;
  double setpoint_c = 0;
  std::string source;
  Visits up, down;
  std::optional<double> difference_k;  // up - down; nothing where one of the two is missing
  // Standard deviation of errors come to from the same side, pooled over both; nothing where no side has two.
  std::optional<double> between_sd_k;
  std::size_t degrees_of_freedom = 0;  // of it
};

struct PlannedPlateau {
  std::size_t index = 0;
  double setpoint_c = 0;
};

struct Finding {
  std::string channel, finding, text;
};

struct Results {
  std::string run, job, profile, bench, customer_reference;
  std::string program_name, program_version, host;
  std::string opened_utc, last_utc;
  double speed = 1;                   // 1 = real time
  std::optional<std::string> ending;  // nullopt: the journal ended without closing
  std::string ending_why;
  std::vector<std::string> accepted_overdue;  // serials of references used past their due date
  std::vector<Channel> channels;
  std::vector<Plateau> plateaus;         // those that closed, in the order they did
  std::vector<PlannedPlateau> unclosed;  // planned, and the journal has no end of them
  std::vector<Revisited> revisited;      // by channel, then in the order of their first plateaus
  std::vector<Finding> findings;         // of a survey
  std::optional<uncertainty::LabBudget> lab_budget;
  journal::Verification verification;  // lines, head hash, torn tail
};

Result<Results> compute(const std::filesystem::path& path);

// The same from records in memory, in their order. `verification` is passed on.
Result<Results> compute(std::span<const journal::Record> records, const journal::Verification& verification);

}  // namespace nightwell::results
